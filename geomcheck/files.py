"""Opening files that others wrote: plain files only, and whole.

A pipe or a device under a file's name would be waited for without end, or read without end.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

# A pipe that nobody writes to must not be waited for; systems without the flag have no such pipes.
_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def open_plain(path: Path) -> BinaryIO:
    """Open a plain file for reading bytes.

    Raises
    ------
    OSError
        It cannot be opened, or is a folder, a pipe, a socket or a device; ``strerror`` says which.
    """
    try:
        handle = os.open(path, _FLAGS)
    except ValueError as error:  # a zero byte in the name
        raise OSError(errno.EINVAL, str(error), str(path)) from error
    mode = os.fstat(handle).st_mode
    if stat.S_ISREG(mode):
        return os.fdopen(handle, "rb")
    os.close(handle)
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    raise OSError(errno.EINVAL, "it is a pipe or a device, not a file", str(path))


def read_plain(path: Path) -> bytes:
    """Content of a plain file.

    Raises
    ------
    OSError
        As :func:`open_plain`; or the file changed while it was read, so that the content may be
        half the old and half the new one.
    """
    with open_plain(path) as stream:
        before = os.fstat(stream.fileno())
        content = stream.read()
        after = os.fstat(stream.fileno())
    if len(content) != after.st_size or before.st_mtime_ns != after.st_mtime_ns:
        raise OSError(errno.EAGAIN, "it changed while it was read; try again", str(path))
    return content
