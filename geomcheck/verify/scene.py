"""Read the parts anew and put them in place anew: a second reader, a second placement."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np

from geomcheck.errors import GeomcheckError, InputError
from geomcheck.files import read_plain
from geomcheck.finding import Finding
from geomcheck.project.entries import MILLIMETRES, PartEntry, Place
from geomcheck.project.load import Project
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.laid import Laid, lay
from geomcheck.verify.plain.place import best_fit, placed, turned
from geomcheck.verify.plain.simple import FloatArray

__all__ = ["NotRechecked", "Scene", "best_fit", "placed", "read", "turned"]

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
        self._known: dict[tuple[str, str], Body | NotRechecked] = {}
        self._laid: dict[tuple[str, str], Laid] = {}

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
        return self.body(vehicle, name).triangles

    def body(self, vehicle: str, name: str) -> Body:
        """A part in the housing frame, with what was worked out of it; as :meth:`triangles`."""
        key = self._key(vehicle, name)
        if key not in self._known:
            try:
                self._known[key] = self._place(vehicle, name)
            except NotRechecked as why:
                self._known[key] = why
        found = self._known[key]
        if isinstance(found, NotRechecked):
            raise found
        return found

    def laid(self, vehicle: str, name: str) -> Laid:
        """How a part that is laid on another by patches came to lie; as :meth:`triangles`."""
        self.body(vehicle, name)
        return self._laid[self._key(vehicle, name)]

    def carried(self, vehicle: str, name: str, point: FloatArray) -> FloatArray:
        """(3,) where a point of a part's own axes comes to stand, mm."""
        entry, outer = self.entry(vehicle, name)
        there = placed(outer, placed(entry.place, point[None, None]))[0, 0]
        if entry.refine is not None:
            matrix = self.laid(vehicle, name).matrix
            there = matrix[:3, :3] @ there + matrix[:3, 3]
        return np.asarray(there)

    def before_vehicle(self, vehicle: str, points: FloatArray, name: str) -> FloatArray:
        """(n, 3) points in the axes that a part's own place leads to, before its vehicle's."""
        outer = self.entry(vehicle, name)[1]
        frame = placed(outer, np.vstack([np.zeros(3), np.eye(3)])[None])[0]
        turn = frame[1:] - frame[0]
        return np.asarray((points - frame[0]) @ turn.T)

    def by_patches(self, vehicle: str, name: str) -> bool:
        """Whether a part is laid on another, or on one that is: two routes differ in the last."""
        return self.entry(vehicle, name)[0].refine is not None

    def _key(self, vehicle: str, name: str) -> tuple[str, str]:
        # What goes into every vehicle is read once.
        shared = any(part.name == name for part in self.project.document.parts)
        return ("" if shared else vehicle, name)

    def _place(self, vehicle: str, name: str) -> Body:
        entry, outer = self.entry(vehicle, name)
        unit = entry.unit or self.project.document.unit
        corners = read(self.project.file.parent / entry.file) * MILLIMETRES[unit]
        body = Body(placed(outer, placed(entry.place, corners)))
        if entry.refine is None:
            return body
        found = lay(body, entry.refine, self.body(vehicle, entry.refine.to))
        if found is None:
            raise NotRechecked(f"{name} does not settle on {entry.refine.to} by this route")
        self._laid[self._key(vehicle, name)] = found
        return Body(body.triangles @ found.matrix[:3, :3].T + found.matrix[:3, 3])


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
        content = read_plain(path)
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

        mesh = trimesh.load_mesh(io.BytesIO(content), file_type=kind[1:], process=False)
        listed: FloatArray = np.asarray(mesh.vertices, dtype=np.float64)[np.asarray(mesh.faces)]
        return listed
    raise NotRechecked(f"{path.name}: this route reads STL, OBJ and PLY only")
