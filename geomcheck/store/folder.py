"""A folder of answers, each under the hash of everything it rests on.

An entry is one file: the hash of its key and content, then JSON. It is written beside its place
and then takes its name, so that a killed run leaves whole entries only, and two runs that write the
same one do not harm each other. What is damaged, or stands under the wrong name, is as if it were
not there. Nothing in the folder is ever executed: JSON is all that is read from it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

#: Bytes a cache may hold; the entries longest unused go first.
LARGEST = 200_000_000
#: Seconds after which an unfinished file is taken for that of a killed run.
_STALE = 3600.0
_SUFFIX = ".answer"
#: In place of a folder: no cache.
OFF = "off"


class Store:
    """Answers by key.

    Parameters
    ----------
    folder : Path
        Made when first written to.
    largest : int
        Bytes it may hold.
    """

    def __init__(self, folder: Path, largest: int = LARGEST) -> None:
        self.folder = folder
        self.largest = largest
        self._written = False

    def get(self, key: str) -> Any:
        """What was put under a key, or None.

        Parameters
        ----------
        key : str
            From :func:`geomcheck.store.prints.digest`.
        """
        file = self._file(key)
        try:
            content = file.read_bytes()
        except OSError:
            return None
        stated, _, body = content.partition(b"\n")
        if stated != _seal(key, body):
            return None
        # Its time is when it was last of use.
        with contextlib.suppress(OSError):
            os.utime(file)
        try:
            return json.loads(body)
        except (ValueError, RecursionError):
            return None

    def put(self, key: str, value: Any) -> None:
        """Keep JSON data under a key; where the folder cannot be written to, nothing is kept."""
        body = json.dumps(value, separators=(",", ":")).encode("ascii")
        file = self._file(key)
        temporary: str | None = None
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(suffix=".part", dir=file.parent)
            with os.fdopen(handle, "wb") as stream:
                stream.write(_seal(key, body) + b"\n" + body)
            Path(temporary).replace(file)
            temporary = None
            self._written = True
        except OSError:
            return
        finally:
            if temporary is not None:
                with contextlib.suppress(OSError):
                    Path(temporary).unlink()

    def trim(self) -> None:
        """Drop the entries longest unused if there are too many; looks only after a ``put``."""
        if not self._written:
            return
        self._written = False
        kept: list[tuple[float, int, Path]] = []
        now = time.time()
        for file in self.folder.glob("??/*"):
            with contextlib.suppress(OSError):
                found = file.stat()
                # A clock that was set back leaves times to come: as good as none.
                used = found.st_mtime if found.st_mtime <= now + _STALE else 0.0
                if file.suffix == _SUFFIX:
                    kept.append((used, found.st_size, file))
                elif file.suffix == ".part" and now - used > _STALE:
                    file.unlink()
        total = sum(size for _, size, _ in kept)
        for _, size, file in sorted(kept, key=lambda row: (row[0], row[2].name)):
            if total <= self.largest:
                break
            with contextlib.suppress(OSError):
                file.unlink()
            total -= size

    def _file(self, key: str) -> Path:
        return self.folder / key[:2] / f"{key[2:]}{_SUFFIX}"


def _seal(key: str, body: bytes) -> bytes:
    found = hashlib.blake2b(key.encode("ascii"), digest_size=16)
    found.update(body)
    return found.hexdigest().encode("ascii")


def open_store(folder: Path | None = None) -> Store | None:
    """The cache: the folder given, or that of ``GEOMCHECK_CACHE``, or the user's own.

    None where ``GEOMCHECK_CACHE`` is ``off``, or the system knows no folder of the user's.
    """
    if folder is not None:
        return Store(folder)
    named = os.environ.get("GEOMCHECK_CACHE", "")
    if named == OFF:
        return None
    if named:
        return Store(Path(named))
    users = _users(os.environ)
    return None if users is None else Store(users / "geomcheck")


def _users(variables: Mapping[str, str]) -> Path | None:
    """The user's cache folder; the XDG base directory specification where it holds."""
    name = "LOCALAPPDATA" if sys.platform == "win32" else "XDG_CACHE_HOME"
    given = Path(variables.get(name, ""))
    # The specification says that a path that is not absolute is to be ignored.
    if given.is_absolute():
        return given
    try:
        return Path.home() / ".cache"
    except RuntimeError:
        return None
