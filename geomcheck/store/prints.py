"""Hashes of what an answer rests on: data, files, and the code and libraries that answer."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

from geomcheck.files import open_plain
from geomcheck.version import __version__

#: Rooms of the package that show answers and do not make them.
_SHOW = frozenset({"cli", "reports", "__pycache__"})
_PACKAGE = Path(__file__).resolve().parents[1]


def digest(*data: Any) -> str:
    """Hash of JSON data: the same for the same data in any run, told apart by type and order."""
    text = json.dumps(data, separators=(",", ":"), sort_keys=True)
    return hashlib.blake2b(text.encode("ascii"), digest_size=24).hexdigest()


def of_bytes(content: bytes) -> str:
    """Hash of the content of a file."""
    return hashlib.blake2b(content, digest_size=24).hexdigest()


def of_files(files: Iterable[Path]) -> list[str] | None:
    """Hashes of files by their content, in order; None if one cannot be read.

    The time a file was changed is never asked: a checkout or a copy may set it to anything.
    """
    with ThreadPoolExecutor(2) as pool:
        try:
            return list(pool.map(_of_file, files))
        except OSError:
            return None


def _of_file(file: Path) -> str:
    found = hashlib.blake2b(digest_size=24)
    with open_plain(file) as stream:
        while block := stream.read(1 << 20):
            found.update(block)
    return found.hexdigest()


@cache
def code() -> str:
    """Hash of all that turns input into answers: our own files, the libraries, the interpreter."""
    found = hashlib.blake2b(digest_size=24)
    for file in sorted(_own(_PACKAGE), key=lambda file: file.as_posix()):
        content = file.read_bytes()
        name = file.relative_to(_PACKAGE).as_posix()
        found.update(f"{name} {len(content)}\n".encode())
        found.update(content)
    machine = (__version__, sys.version, sys.platform, platform.machine(), *sorted(_libraries()))
    found.update("\n".join(machine).encode("utf-8", "surrogatepass"))
    return found.hexdigest()


def _own(folder: Path) -> list[Path]:
    files: list[Path] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir():
                if entry.name not in _SHOW:
                    files.extend(_own(Path(entry.path)))
            elif not entry.name.endswith((".pyc", ".nbi", ".nbc")):
                files.append(Path(entry.path))
    return files


def _libraries() -> set[str]:
    """Names of the folders that tell which libraries are installed, with their versions."""
    found: set[str] = set()
    for folder in sys.path:
        try:
            with os.scandir(folder or ".") as entries:
                names = [entry.name for entry in entries]
        except OSError:
            continue
        found.update(name for name in names if name.endswith((".dist-info", ".egg-info")))
    return found
