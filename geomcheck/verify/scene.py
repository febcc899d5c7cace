"""Read the parts anew and put them in place anew: a second reader, a second placement."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np

from geomcheck.errors import GeomcheckError, InputError
from geomcheck.finding import Finding
from geomcheck.project.entries import MILLIMETRES, PartEntry, Place
from geomcheck.project.load import Project
from geomcheck.verify.simple import FloatArray

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attributes", "<u2")])
_NUMBER = rb"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_VERTEX = re.compile(
    rb"vertex\s+(" + _NUMBER + rb")\s+(" + _NUMBER + rb")\s+(" + _NUMBER + rb")", re.I
)


class NotRechecked(GeomcheckError):  # noqa: N818 - it is an outcome
    """What the second route cannot answer, and why."""


class Scene:
    """The parts of a project, read when first asked for.

    Parameters
    ----------
    project : Project
        Validated; no mesh is taken from it.
    findings : tuple of Finding
        All that the result says: some findings carry figures that others rest on.
    """

    def __init__(self, project: Project, findings: tuple[Finding, ...] = ()) -> None:
        self.project = project
        self.findings = findings
        self._known: dict[tuple[str, str], FloatArray | NotRechecked] = {}

    def entry(self, vehicle: str, name: str) -> tuple[PartEntry, Place]:
        """A part's entry, and the place of the vehicle it belongs to.

        Raises
        ------
        InputError
            There is no such part.
        """
        document = self.project.document
        for mine in document.parts:
            if mine.name == name:
                return mine, Place()
        for one in document.vehicles:
            for theirs in one.parts if one.name == vehicle else ():
                if theirs.name == name:
                    return theirs, one.place
        raise InputError(f'vehicle "{vehicle}" has no part "{name}"', where=str(self.project.file))

    def names(self, vehicle: str) -> list[str]:
        """All parts of a vehicle, the housing and what it carries first."""
        document = self.project.document
        theirs = [p.name for v in document.vehicles if v.name == vehicle for p in v.parts]
        return [part.name for part in document.parts] + theirs

    def triangles(self, vehicle: str, name: str) -> FloatArray:
        """(m, 3, 3) a part in the housing frame, in the file's order.

        Raises
        ------
        NotRechecked
            The file or the placement is of a kind this route does not read.
        """
        key = (vehicle, name)
        if key not in self._known:
            entry, outer = self.entry(vehicle, name)
            try:
                if entry.refine is not None:
                    raise NotRechecked(f"{name} is laid on another part by patches")
                unit = entry.unit or self.project.document.unit
                corners = read(self.project.file.parent / entry.file) * MILLIMETRES[unit]
                self._known[key] = placed(outer, placed(entry.place, corners))
            except NotRechecked as why:
                self._known[key] = why
        found = self._known[key]
        if isinstance(found, NotRechecked):
            raise found
        return found


def read(path: Path) -> FloatArray:
    """(m, 3, 3) corners as in the file.

    Raises
    ------
    InputError
        The file cannot be read.
    NotRechecked
        It is not one that this route reads.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from error
    kind = path.suffix.lower()
    if kind == ".stl":
        count = int.from_bytes(content[80:84], "little")
        if len(content) == 84 + 50 * count and count:
            records = np.frombuffer(content, dtype=_RECORD, offset=84)
            corners: FloatArray = records["corners"].astype(np.float64)
            return corners
        rows = [[float(x) for x in found.groups()] for found in _VERTEX.finditer(content)]
        if rows and len(rows) % 3 == 0:
            return np.array(rows).reshape(-1, 3, 3)
        raise NotRechecked(f"{path.name} is no plain STL")
    if kind in (".obj", ".ply"):
        import trimesh

        mesh = trimesh.load_mesh(path, process=False)
        listed: FloatArray = np.asarray(mesh.vertices, dtype=np.float64)[np.asarray(mesh.faces)]
        return listed
    raise NotRechecked(f"{path.name}: this route reads STL, OBJ and PLY only")


def placed(place: Place, triangles: FloatArray) -> FloatArray:
    """Triangles moved as a ``place`` table says."""
    if place.matrix is not None:
        matrix = np.array(place.matrix)
        # Written with seven digits or so: the nearest rotation is meant.
        left, _, right = np.linalg.svd(matrix[:3, :3])
        laid: FloatArray = triangles @ (left @ right).T + matrix[:3, 3]
        return laid
    if place.datums:
        turn, shift = best_fit(
            np.array([pair.part for pair in place.datums]),
            np.array([pair.at for pair in place.datums]),
        )
        fitted: FloatArray = triangles @ turn.T + shift
        return fitted
    out = triangles
    for one in place.turns:
        about = np.array(one.about)
        out = (out - about) @ turned(one.axis, one.angle).T + about
    moved: FloatArray = out + np.array(place.move)
    return moved


def turned(axis: Any, degrees: float) -> FloatArray:
    """(3, 3) rotation, from its unit quaternion."""
    unit = np.asarray(axis, dtype=np.float64)
    half = math.radians(degrees) / 2.0
    w = math.cos(half)
    x, y, z = unit / np.linalg.norm(unit) * math.sin(half)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def best_fit(points: FloatArray, targets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rotation and shift that bring points nearest to targets, by Horn's quaternion.

    B. Horn, J. Opt. Soc. Am. A 4 (1987) 629: the eigenvector of the greatest eigenvalue.
    """
    p, q = points - points.mean(axis=0), targets - targets.mean(axis=0)
    s = p.T @ q
    d = np.array([s[1, 2] - s[2, 1], s[2, 0] - s[0, 2], s[0, 1] - s[1, 0]])
    matrix = np.zeros((4, 4))
    matrix[0, 0] = np.trace(s)
    matrix[0, 1:] = matrix[1:, 0] = d
    matrix[1:, 1:] = s + s.T - np.trace(s) * np.eye(3)
    w, x, y, z = np.linalg.eigh(matrix)[1][:, -1]
    turn = turned((1.0, 0.0, 0.0), 0.0)
    length = math.sqrt(x * x + y * y + z * z)
    if length > 0.0:
        turn = turned((x, y, z), math.degrees(2.0 * math.atan2(length, w)))
    return turn, targets.mean(axis=0) - turn @ points.mean(axis=0)
