"""A duct of the project anew: its parts in its state, its line, and sections along it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

import numpy as np
import shapely

from geomcheck.finding import Finding
from geomcheck.project.ducts import BladeEntry, DuctEntry
from geomcheck.verify.flow.line import Line
from geomcheck.verify.flow.section import Opening, opening
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.body import Edges
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import NotRechecked, Scene, placed

Found = TypeVar("Found")

#: Where a section is cut alone, so many mm before and behind it are cut as well.
BESIDE = (-12.0, -5.0, 0.0, 5.0, 12.0)
#: Of two neighbouring pieces of one bore the smaller has this share in common with the other.
SHARED = 0.5


class Duct:
    """One duct of a vehicle in one state.

    Parameters
    ----------
    entry : DuctEntry
    walls, others : list of (m, 3, 3) float
        Its walls and its obstacles, in place.
    names : tuple of str
        Of both, walls first.
    line : Line or None
        None where neither the project file nor the result gives it.
    sagittas : mapping of str to float or None
        Chord errors declared for its parts, mm.
    state : str
        Empty for as the parts are placed.
    """

    def __init__(
        self,
        entry: DuctEntry,
        walls: list[FloatArray],
        others: list[FloatArray],
        names: tuple[str, ...],
        line: Line | None,
        sagittas: Mapping[str, float | None],
        state: str = "",
    ) -> None:
        self.entry, self.walls, self.others = entry, walls, others
        self.names, self.sagittas, self.state = names, sagittas, state
        self._line = line
        self._known: dict[tuple[float, ...], tuple[Station, ...]] = {}
        self._once: dict[Any, Any] = {}

    def once(self, key: Any, work: Callable[[], Found]) -> Found:
        """What ``work`` finds, worked out once for this duct."""
        if key not in self._once:
            self._once[key] = work()
        found: Found = self._once[key]
        return found

    @property
    def line(self) -> Line:
        """Its line.

        Raises
        ------
        NotRechecked
            It was found by itself, and the result does not give it.
        """
        if self._line is None:
            raise NotRechecked("the path was found by itself, and the result does not give it")
        return self._line

    def refuse_scans(self) -> None:
        """Nothing closes where something was measured: the room reads open surfaces as walls, too.

        Raises
        ------
        NotRechecked
            A wall is an open surface.
        """
        for mesh, name in zip(self.walls, self.names, strict=False):
            if not Edges(mesh).closed:
                raise NotRechecked(f"{name} is an open surface, such as a scan")

    def angle_of(self, blade: BladeEntry) -> float:
        """Degrees off wide open of a blade in this state."""
        return blade.angle_in(self.state)

    def cut(
        self, point: FloatArray, normal: FloatArray, frame: FloatArray | None = None
    ) -> Opening:
        """Its section on a plane."""
        return opening(self.walls, self.others, point, normal, frame, solid=self.entry.void)

    def along(self, s: Sequence[float] | FloatArray) -> tuple[Station, ...]:
        """Sections square to the line at rising places, pieces of one bore followed along it.

        A piece belongs to the duct if it holds the line, or if it is joined to such a piece by
        pieces that overlap from section to section both upstream and downstream.
        """
        places = np.asarray(s, dtype=np.float64)
        key = tuple(places.tolist())
        if key not in self._known:
            self._known[key] = tuple(self._follow(places))
        return self._known[key]

    def at(self, s: float) -> Station:
        """One section; its pieces are followed from some way before and behind it."""
        places = np.clip(s + np.array(BESIDE), 0.0, self.line.length)
        rows = self.along(np.unique(np.append(places, min(max(s, 0.0), self.line.length))))
        return min(rows, key=lambda row: abs(row.s - s))

    def _follow(self, places: FloatArray) -> list[Station]:
        points, normals = self.line.point(places), self.line.ahead(places)
        frames = self.line.frames(places)
        cuts = [self.cut(points[k], normals[k], frames[k]) for k in range(len(places))]
        ahead = _reached(cuts)
        behind = _reached(cuts[::-1])[::-1]
        found = []
        for k, cut in enumerate(cuts):
            bores = tuple(sorted(ahead[k] & behind[k]))
            state = cut.state
            if state == "path in metal" and bores:
                state = "measured"
            found.append(
                Station(float(places[k]), points[k], normals[k], frames[k], cut, bores, state)
            )
        return found


def _reached(cuts: Sequence[Opening]) -> list[set[int]]:
    """Pieces that hold the line or hang together with one that does, section by section."""
    out: list[set[int]] = []
    before: list[shapely.Polygon] = []
    for cut in cuts:
        here = {cut.main} if cut.main >= 0 else set()
        for k, piece in enumerate(cut.bores):
            if k not in here and any(_joined(piece, one) for one in before):
                here.add(k)
        before = [cut.bores[k] for k in here]
        out.append(here)
    return out


def _joined(a: shapely.Polygon, b: shapely.Polygon) -> bool:
    if not shapely.intersects(shapely.box(*a.bounds), shapely.box(*b.bounds)):
        return False
    return bool(a.intersection(b).area >= SHARED * min(a.area, b.area))


_DUCTS: WeakKeyDictionary[Scene, dict[Any, Duct]] = WeakKeyDictionary()


def duct_of(scene: Scene, finding: Finding) -> Duct:
    """The duct a finding is about; made once for the same parts in the same state.

    Raises
    ------
    NotRechecked
        The project file does not have it, or a part cannot be read by this route.
    """
    entry = _entry(scene, finding)
    state = _state(scene, finding)
    shared = {part.name for part in scene.project.document.parts}
    names = (*entry.walls, *entry.obstacles)
    vehicle = "" if shared.issuperset(names) else finding.vehicle
    outlet = _outlet(entry, finding)
    known = _DUCTS.setdefault(scene, {})
    key = (entry.name, entry.vehicle, state, outlet, vehicle)
    if key not in known:
        parts = {name: _placed(scene, finding.vehicle, name, state) for name in names}
        there = {name: mesh for name, mesh in parts.items() if mesh is not None}
        walls = [there[name] for name in entry.walls if name in there]
        others = [there[name] for name in entry.obstacles if name in there]
        kept = tuple(name for name in names if name in there)
        sagittas = {name: scene.entry(finding.vehicle, name)[0].sagitta for name in kept}
        line = _line(scene, finding, entry)
        known[key] = Duct(entry, walls, others, kept, line, sagittas, state)
    return known[key]


def head_of(finding: Finding) -> str:
    """What all findings on one duct in one state begin with."""
    text = finding.subject
    for number, part in enumerate(text.split('"')):
        if number and number % 2 == 0 and part.startswith(", ") and part != ", state ":
            text = '"'.join(text.split('"')[:number]) + '"'
            break
    return text


def main_of(scene: Scene, finding: Finding) -> Finding | None:
    """The finding of ``flow-area`` that tells of the whole of the same duct."""
    wanted = head_of(finding)
    for one in scene.findings:
        if one.code == "flow-area" and one.vehicle == finding.vehicle and one.subject == wanted:
            return one
    return None


def _entry(scene: Scene, finding: Finding) -> DuctEntry:
    for one in scene.project.document.ducts:
        here = one.vehicle in (None, finding.vehicle)
        if here and finding.subject.startswith(f'duct "{one.name}"'):
            return one
    raise NotRechecked("the duct is not in the project file")


def _state(scene: Scene, finding: Finding) -> str:
    names = [state.name for state in scene.project.document.states]
    return next((name for name in names if f', state "{name}"' in finding.subject), "")


def _outlet(entry: DuctEntry, finding: Finding) -> str:
    ends = [port.name for port in entry.outlets] if len(entry.outlets) > 1 else []
    return next((name for name in ends if f' to "{name}"' in finding.subject), "")


def _placed(scene: Scene, vehicle: str, name: str, state: str) -> FloatArray | None:
    """A part where the state has it; None where the state leaves it out."""
    mesh = scene.triangles(vehicle, name)
    for one in scene.project.document.states:
        for moved in one.parts if one.name == state else ():
            if moved.name == name:
                return None if moved.left_out else placed(moved.place, mesh)
    return mesh


def _line(scene: Scene, finding: Finding, entry: DuctEntry) -> Line | None:
    if entry.path:
        return Line.through(entry.path)
    main = main_of(scene, finding)
    if main is None or "path" not in main.details or "curve" not in main.details:
        return None
    return Line.told(main.details["curve"]["s"], main.details["path"])
