"""Write a report whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from geomcheck.errors import InputError


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with LF line ends, atomically.

    The text goes to a temporary file beside the target, which then takes the target's name:
    a full disk or a killed run leaves the old file, never half a new one.

    Raises
    ------
    InputError
        The folder cannot be made or written to, or the disk is full.
    """
    temporary: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        # mkstemp makes files that only the owner can read; a report is meant to be shared.
        umask = os.umask(0)
        os.umask(umask)
        Path(temporary).chmod(0o666 & ~umask)
        Path(temporary).replace(path)
        temporary = None
    except OSError as error:
        raise InputError(
            f"cannot be written: {error.strerror}",
            where=str(path),
            remedy="choose another place for this report",
        ) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                Path(temporary).unlink()
