"""Write a report whole or not at all, and never over what it was made from."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from collections.abc import Iterable
from pathlib import Path

from geomcheck.errors import InputError
from geomcheck.mesh.sniff import SUFFIXES

_ELSEWHERE = "choose another place for this report"


def refuse_clashes(outputs: Iterable[Path], inputs: Iterable[Path]) -> None:
    """Refuse reports that would take the place of an input or of each other.

    Links are followed: it is the file that counts, whatever it is called. A pipe or a device may
    take several.

    Raises
    ------
    InputError
        Names the file.
    """
    known = {_real(file) for file in inputs}
    taken: set[str] = set()
    for output in outputs:
        if _is_stream(output):
            continue
        real = _real(output)
        if real in known:
            raise InputError(
                "this is an input and would be overwritten", where=str(output), remedy=_ELSEWHERE
            )
        if output.suffix.lower() in (*SUFFIXES, ".toml"):
            raise InputError(
                f"a report is not written under the name of a {output.suffix} file",
                where=str(output),
                remedy="end its name in .html, .json, .xml, .sarif, .md or .csv",
            )
        if real in taken:
            raise InputError(
                "two reports are to be written to this file",
                where=str(output),
                remedy="give each a file of its own",
            )
        taken.add(real)


def _real(path: Path) -> str:
    return os.path.normcase(os.path.realpath(path))


def _is_stream(path: Path) -> bool:
    """Whether a path leads to a pipe, a terminal or a device, or to an open file by its number."""
    if os.path.abspath(path).startswith(("/dev/std", "/dev/fd/", "/proc/")):  # noqa: PTH100
        return True
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with LF line ends, atomically.

    The text goes to a temporary file beside the target, which then takes the target's name:
    a full disk or a killed run leaves the old file, never half a new one. A link stays a link; a
    pipe or a device is written to as it is. Signs of a file name that are no text are written out.

    Raises
    ------
    InputError
        The folder cannot be made or written to, or the disk is full.
    """
    content = text.encode("utf-8", "backslashreplace")
    temporary: str | None = None
    try:
        if _is_stream(path):
            with path.open("wb") as stream:
                stream.write(content)
            return
        target = Path(os.path.realpath(path))
        target.parent.mkdir(parents=True, exist_ok=True)
        # A name as long as the file system takes must leave room for the mark.
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:40]}.", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        # mkstemp makes files that only the owner can read; a report is meant to be shared.
        umask = os.umask(0)
        os.umask(umask)
        Path(temporary).chmod(0o666 & ~umask)
        Path(temporary).replace(target)
        temporary = None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"cannot be written: {reason}", where=str(path), remedy=_ELSEWHERE
        ) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                Path(temporary).unlink()
