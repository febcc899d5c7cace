"""PLY files, ASCII and binary, strictly: what the header states is there, and nothing else is.

The layout is that of G. Turk's description of the format (1994, from memory): a header of lines
that names elements with their count and properties, then the elements in that order; in ASCII one
line each. Vertices need ``x``, ``y`` and ``z``, faces a list ``vertex_indices`` or
``vertex_index``. Other properties and elements are read and left out, but strips are refused,
because passing them over would lose a part of the shape. Faces of more than three corners are cut
into a fan from their first corner.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import MeshFileError
from geomcheck.mesh.stl import describe_number

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

_TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4",
    "float": "f4", "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2",
    "int32": "i4", "uint32": "u4", "float32": "f4", "float64": "f8",
}  # fmt: skip
_ORDERS = {"ascii": "=", "binary_little_endian": "<", "binary_big_endian": ">"}
_CORNERS = ("vertex_indices", "vertex_index")
_AGAIN = "Export it again, best as binary STL"


@dataclass(frozen=True)
class _Property:
    """A value of each entry; a list where ``counted`` (the type of its length) is given."""

    name: str
    kind: np.dtype[Any]
    counted: np.dtype[Any] | None = None


@dataclass(frozen=True)
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)

    def column(self, *names: str) -> int | None:
        """Position of the first property of one of these names."""
        return next((n for n, one in enumerate(self.properties) if one.name in names), None)


def read_ply(file: Path, content: bytes) -> tuple[FloatArray, IntArray, int]:
    """Vertices (n, 3), triangles (m, 3) and the number of faces that were cut into triangles.

    Raises
    ------
    MeshFileError
        Cut off, too long, a line that does not belong, a number that is none, or a corner that
        does not exist.
    """
    order, elements, begin, line = _header(file, content)
    if order == "=":
        columns = _read_text(file, content[begin:], elements, line)
    else:
        columns = _read_binary(file, content, begin, elements)
    points: FloatArray = np.empty((0, 3))
    faces: IntArray = np.empty((0, 3), dtype=np.int64)
    cut = 0
    for element, values in zip(elements, columns, strict=True):
        if element.name == "vertex":
            places = [element.column(axis) for axis in "xyz"]
            with np.errstate(invalid="ignore"):  # a signalling NaN, refused later
                points = np.column_stack([np.asarray(values[n or 0], np.float64) for n in places])
        elif element.name == "face":
            faces, cut = _triangles(file, values[element.column(*_CORNERS) or 0])
    bad = np.flatnonzero(((faces < 0) | (faces >= len(points))).any(axis=1))
    if len(bad):
        what = f"a corner names a vertex that is not there (of {len(points)})"
        _refuse(file, what, triangle=int(bad[0]))
    return points, faces, cut


def _triangles(file: Path, lists: Any) -> tuple[IntArray, int]:
    """Triangles (m, 3) of lists of corners, and how many lists were cut."""
    if isinstance(lists, np.ndarray):
        return lists.astype(np.int64), 0
    faces: list[tuple[int, int, int]] = []
    cut = 0
    for number, corners in enumerate(lists):
        if len(corners) < 3:
            _refuse(file, "a face needs three corners", triangle=number)
        cut += len(corners) > 3
        faces += [(corners[0], corners[k], corners[k + 1]) for k in range(1, len(corners) - 1)]
    return np.array(faces, dtype=np.int64).reshape(-1, 3), cut


def _header(file: Path, content: bytes) -> tuple[str, list[_Element], int, int]:
    """Byte order, elements, where the data begin, and the number of the header's lines."""
    elements: list[_Element] = []
    order = ""
    place = number = 0
    while True:
        end = content.find(b"\n", place)
        if end < 0 or number > 10_000:
            _refuse(file, "cut off: the header has no end")
        words = content[place:end].decode("latin-1").strip().split()
        place, number = end + 1, number + 1
        match words:
            case ["ply"] if number == 1:
                pass
            case ["format", name, "1.0"] if number > 1 and name in _ORDERS and not order:
                order = _ORDERS[name]
            case ["comment" | "obj_info", *_]:
                pass
            case ["element", name, count] if order and count.isascii() and count.isdigit():
                if name in ("tristrips", "multi_triangle"):
                    _refuse(file, f'line {number}: "{name}" is not read: export triangles')
                if len(count) > 15 or any(name == one.name for one in elements):
                    _bad_line(file, number, words)
                elements.append(_Element(name, int(count)))
            case ["property", kind, name] if elements and kind in _TYPES:
                _add(file, number, elements[-1], _Property(name, np.dtype(order + _TYPES[kind])))
            case ["property", "list", counted, kind, name] if (
                elements and counted in _TYPES and kind in _TYPES and "f" not in _TYPES[counted]
            ):
                kinds = [np.dtype(order + _TYPES[one]) for one in (kind, counted)]
                _add(file, number, elements[-1], _Property(name, *kinds))
            case ["end_header"] if order:
                break
            case _:
                _bad_line(file, number, words)
    _check(file, {element.name: element for element in elements})
    return order, elements, place, number


def _add(file: Path, line: int, element: _Element, one: _Property) -> None:
    if element.column(one.name) is not None:
        _refuse(file, f'line {line}: a second property is named "{one.name[:40]}"')
    element.properties.append(one)


def _check(file: Path, known: dict[str, _Element]) -> None:
    """Every element says what it holds, vertices have coordinates, and faces a list of corners."""
    for element in known.values():
        if not element.properties:
            _refuse(file, f'the header gives "{element.name[:40]}" no property')
    for name in ("vertex", "face"):
        if name not in known:
            _refuse(file, f'the header names no element "{name}"')
    for axis in "xyz":
        column = known["vertex"].column(axis)
        if column is None or known["vertex"].properties[column].counted is not None:
            _refuse(file, f"the header gives its vertices no {axis}")
    column = known["face"].column(*_CORNERS)
    corners = None if column is None else known["face"].properties[column]
    if corners is None or corners.counted is None or corners.kind.kind == "f":
        _refuse(file, "the header gives its faces no list of corners")


def _read_text(file: Path, body: bytes, elements: list[_Element], line: int) -> list[list[Any]]:
    """Of each element, of each property, the values of all entries."""
    rows = [(n, words) for n, text in enumerate(body.splitlines()) if (words := text.split())]
    wanted = sum(element.count for element in elements)
    stated = ", ".join(f"{element.count} x {element.name}" for element in elements)
    if len(rows) != wanted:
        fault = "cut off" if len(rows) < wanted else "too long"
        _refuse(file, f"{fault}: the header states {stated} but {len(rows)} lines follow")
    at = 0
    found: list[list[Any]] = []
    for element in elements:
        columns: list[list[Any]] = [[] for _ in element.properties]
        for n, words in rows[at : at + element.count]:
            _read_row(file, line + n + 1, words, element, columns)
        for column, one in zip(columns, element.properties, strict=True):
            if one.counted is None and one.kind.kind == "f":
                with np.errstate(over="ignore"):
                    column[:] = np.array(column).astype(one.kind).tolist()
        found.append(columns)
        at += element.count
    return found


def _read_row(
    file: Path, line: int, words: list[bytes], element: _Element, columns: list[list[Any]]
) -> None:
    i = 0
    for one, column in zip(element.properties, columns, strict=True):
        count = 1
        if one.counted is not None:
            count = int(_value(file, line, words[i], one.counted)) if i < len(words) else 0
            i += 1
        if count < 0 or i + count > len(words):
            _refuse(file, f"line {line}: too few numbers for this {element.name}")
        values = [_value(file, line, word, one.kind) for word in words[i : i + count]]
        column.append(values[0] if one.counted is None else values)
        i += count
    if i != len(words):
        _refuse(file, f"line {line}: too many numbers for this {element.name}")


def _value(file: Path, line: int, word: bytes, kind: np.dtype[Any]) -> Any:
    try:
        if b"_" in word or (kind.kind != "f" and len(word) > 18):
            raise ValueError
        return float(word) if kind.kind == "f" else int(word)
    except ValueError:
        what, remedy = describe_number(word.decode("ascii", "backslashreplace")[:40])
        raise MeshFileError(f"line {line}: {what}", file=file, remedy=remedy) from None


def _read_binary(file: Path, content: bytes, at: int, elements: list[_Element]) -> list[list[Any]]:
    found: list[list[Any]] = []
    for element in elements:
        columns, at = _read_element(file, content, at, element)
        found.append(columns)
    if at != len(content):
        _refuse(file, f"too long: {len(content) - at} bytes more than the header states")
    return found


def _read_element(file: Path, content: bytes, at: int, element: _Element) -> tuple[list[Any], int]:
    """Values of an element by property, and where the next begins."""
    # Triangles are the rule: all lists of three, told by their counts.
    fields: list[tuple[str, Any]] = []
    for n, one in enumerate(element.properties):
        if one.counted is not None:
            fields.append((f"n{n}", one.counted))
        fields.append((f"v{n}", (one.kind, 3) if one.counted is not None else one.kind))
    size = np.dtype(fields).itemsize * element.count
    if at + size <= len(content):
        rows = np.frombuffer(content, np.dtype(fields), element.count, at)
        if all((rows[name] == 3).all() for name, _ in fields if name.startswith("n")):
            return [rows[f"v{n}"] for n in range(len(element.properties))], at + size
    elif all(one.counted is None for one in element.properties):
        _cut_off(file, element)
    columns: list[list[Any]] = [[] for _ in element.properties]
    for _ in range(element.count):
        for one, column in zip(element.properties, columns, strict=True):
            count = 1
            if one.counted is not None:
                (count,) = _take(file, content, at, one.counted, 1, element)
                at += one.counted.itemsize
            values = _take(file, content, at, one.kind, count, element)
            at += one.kind.itemsize * count
            column.append(values[0] if one.counted is None else values)
    return columns, at


def _take(
    file: Path, content: bytes, at: int, kind: np.dtype[Any], count: int, element: _Element
) -> list[Any]:
    if count < 0 or at + count * kind.itemsize > len(content):
        _cut_off(file, element)
    values: list[Any] = np.frombuffer(content, kind, count, at).tolist()
    return values


def _cut_off(file: Path, element: _Element) -> NoReturn:
    _refuse(file, f"cut off: the header states {element.count} x {element.name}, fewer are there")


def _bad_line(file: Path, line: int, words: list[str]) -> NoReturn:
    _refuse(file, f'line {line}: "{" ".join(words)[:60]}" does not belong in the header')


def _refuse(file: Path, what: str, triangle: int | None = None) -> NoReturn:
    raise MeshFileError(what, file=file, remedy=_AGAIN, triangle=triangle)
