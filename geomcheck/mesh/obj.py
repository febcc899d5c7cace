"""OBJ files: vertices and faces, strictly.

Only ``v`` and ``f`` count here. Normals, texture, groups, materials, points and lines are passed
over; free-form curves and surfaces are refused, because passing them over would lose a part of
the shape. Faces of more than three corners are cut into a fan from their first corner.
"""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import MeshFileError
from geomcheck.mesh.stl import describe_number

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

_PASSED_OVER = frozenset(
    b"vn vt vp o g s mg l p mtllib usemtl usemap maplib bevel c_interp d_interp lod "
    b"shadow_obj trace_obj".split()
)


def read_obj(file: Path, content: bytes) -> tuple[FloatArray, IntArray, int]:
    """Vertices (n, 3), triangles (m, 3) and the number of faces that were cut into triangles.

    Raises
    ------
    MeshFileError
        With the line: an unknown word, a number that is none, a corner that does not exist.
    """
    points: list[tuple[float, float, float]] = []
    triangles: list[tuple[int, int, int]] = []
    cut = 0
    text = content.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    # A backslash joins a line to the next; the line count is kept by moving the break behind.
    lines = text.split(b"\n")
    number = 0
    while number < len(lines):
        here = number + 1
        line = lines[number]
        number += 1
        while line.endswith(b"\\") and number < len(lines):
            line = line[:-1] + b" " + lines[number]
            number += 1
        words = line.split(b"#", 1)[0].split()
        if not words or words[0] in _PASSED_OVER:
            continue
        if words[0] == b"v":
            points.append(_point(file, here, words))
        elif words[0] in (b"f", b"fo"):
            corners = [_corner(file, here, word, len(points)) for word in words[1:]]
            if len(corners) < 3:
                _refuse(file, here, "a face needs three corners", "Export triangles only")
            cut += len(corners) > 3
            for k in range(1, len(corners) - 1):
                triangles.append((corners[0], corners[k], corners[k + 1]))
        else:
            word = words[0].decode("ascii", "backslashreplace")[:40]
            _refuse(file, here, f'"{word}" is not read', "Export a plain triangle mesh")
    faces = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    if len(faces) and int(faces.max()) >= len(points):
        bad = int(np.flatnonzero(faces.max(axis=1) >= len(points))[0])
        raise MeshFileError(
            f"a corner names vertex {int(faces[bad].max()) + 1} of {len(points)}",
            file=file,
            triangle=bad,
            remedy="The file is cut off or damaged; export it again",
        )
    return np.array(points, dtype=np.float64).reshape(-1, 3), faces, cut


def _point(file: Path, line: int, words: list[bytes]) -> tuple[float, float, float]:
    if len(words) < 4:
        _refuse(file, line, "a vertex needs three coordinates", "Export it again")
    values = []
    for word in words[1:4]:
        try:
            if b"_" in word:
                raise ValueError
            values.append(float(word))
        except ValueError:
            what, remedy = describe_number(word.decode("ascii", "backslashreplace")[:40])
            _refuse(file, line, what, remedy)
    return values[0], values[1], values[2]


def _corner(file: Path, line: int, word: bytes, known: int) -> int:
    """0-based vertex number of a corner such as ``3``, ``3/1``, ``3//2`` or ``-1``."""
    first = word.split(b"/", 1)[0]
    digits = first[1:] if first[:1] == b"-" else first
    value = int(first) if digits.isdigit() and len(digits) < 19 else 0
    if value > 0:
        return value - 1
    if value < 0 and -value <= known:
        return known + value
    shown = word.decode("ascii", "backslashreplace")[:40]
    _refuse(file, line, f'"{shown}" names no vertex', "Export it again")
    raise AssertionError  # _refuse raises


def _refuse(file: Path, line: int, what: str, remedy: str) -> None:
    raise MeshFileError(f"line {line}: {what}", file=file, remedy=remedy)
