"""STL files as corner points, three rows to a triangle, nothing dropped.

Binary: 80 bytes of free text, the number of triangles (uint32), then for each triangle its normal,
three corners (float32, little-endian) and two bytes of attributes. Normals and attributes are not
used: the corners' order gives the facing.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import MeshFileError
from geomcheck.kernels import ascii as kernel
from geomcheck.mesh.sniff import HEADER

FloatArray: TypeAlias = NDArray[np.float64]

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attributes", "<u2")])
_BOM = b"\xef\xbb\xbf"
_EXPORT_BINARY = "Export it again, best as binary STL"


def read_binary(content: bytes) -> NDArray[np.float32]:
    """Corners ((3 m, 3) float32) of a binary STL whose length has been checked."""
    records = np.frombuffer(content, dtype=_RECORD, offset=HEADER)
    corners: NDArray[np.float32] = np.ascontiguousarray(records["corners"]).reshape(-1, 3)
    return corners


def read_ascii(file: Path, content: bytes) -> tuple[FloatArray, int]:
    """Corners ((3 m, 3) float64) of an ASCII STL, and how many solids it holds.

    Raises
    ------
    MeshFileError
        Cut off, a word that does not belong, or a number that is none; with the line.
    """
    content = content.removeprefix(_BOM).rstrip(b"\x1a\0")
    room = content.lower().count(b"vertex") + 3
    corners = np.empty((room, 3), dtype=np.float64)
    late = np.empty((3 * room, 3), dtype=np.int64)
    data = np.frombuffer(content, dtype=np.uint8)
    count, waiting, solids, reason, place = kernel.parse(
        data, kernel.WORD_TABLE, kernel.POWERS, corners, late
    )
    if reason != kernel.DONE:
        _refuse(file, content, int(reason), int(place), int(count) // 3)
    corners = corners[:count]
    if waiting:
        spans = late[:waiting, 1:].tolist()
        corners.reshape(-1)[late[:waiting, 0]] = [float(content[a:b]) for a, b in spans]
    return corners, int(solids)


def line_of(content: bytes, place: int) -> int:
    """1-based line of an offset; lines end with LF, CR LF or CR."""
    before = content[:place]
    return before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n") + 1


def describe_number(token: str) -> tuple[str, str]:
    """What is wrong with a token that should be a number, and what to do."""
    bare = token.lower().lstrip("+-")
    if bare.startswith(("nan", "inf", "1.#")):
        return f'the coordinate "{token}" is not a finite number', "Repair the part and export it"
    if "," in token and token.replace(",", "").strip("+-").replace(".", "").isdigit():
        return (
            f'the number "{token}" has a decimal comma',
            "Export with decimal points (an English locale), or as binary STL",
        )
    return f'"{token}" is not a number', _EXPORT_BINARY


def _token(content: bytes, place: int) -> str:
    words = content[place : place + 400].split(None, 1)
    return words[0].decode("ascii", "backslashreplace") if words else ""


def _refuse(file: Path, content: bytes, reason: int, place: int, triangle: int) -> None:
    line = line_of(content, place)
    token = _token(content, place)[:40]
    details: dict[str, Any] = {"file": file}
    if reason == kernel.NUMBER:
        what, remedy = describe_number(token)
        raise MeshFileError(f"line {line}: {what}", remedy=remedy, triangle=triangle, **details)
    if reason == kernel.ENDED:
        raise MeshFileError(
            f"cut off in the middle of a triangle, at line {line}",
            remedy="Copy or export it again",
            triangle=triangle,
            **details,
        )
    if reason == kernel.NO_END:
        raise MeshFileError(
            f'cut off: no "endsolid" after {triangle} triangles, at line {line}',
            remedy="Copy or export it again",
            **details,
        )
    if reason == kernel.CORNERS:
        raise MeshFileError(
            f"line {line}: a facet must have three corners",
            remedy="Export triangles only",
            triangle=triangle,
            **details,
        )
    raise MeshFileError(
        f'line {line}: "{token}" does not belong there', remedy=_EXPORT_BINARY, **details
    )
