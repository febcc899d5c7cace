"""Stations along a path: cut, judged, and made so dense that nothing hides between them."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geomcheck.flow import between, pieces
from geomcheck.flow.curve import dips
from geomcheck.flow.path import FlowPath
from geomcheck.flow.region import BoolArray, Region, State
from geomcheck.flow.section import THREADS, FloatArray, Surface, cut

#: Stations are never set nearer than this (mm): below it lies the grain of a mesh.
FINEST = 0.02
#: A flat face within this share of the greatest coordinate lies in the plane: 2^-22, four times
#: the resolution of the single precision an STL is written in.
_FLUSH = 2.0**-22
#: The throat is followed until its neighbours differ from it by less than this share.
_SETTLED = 1e-6
#: Facets laid over open areas in all, for better bounds between stations that are as near as they
#: get; a few seconds. Beyond that the plain bounds stand, and the interval is wider.
_CLOSE_WORK = 400_000


@dataclass(eq=False)
class Station:
    """One plane across the path.

    ``s``: mm along the path. ``asked``: the station it stands for; different from ``s`` by a hair
    where a flat face lies in the plane, which is then cut on both sides. ``pieces``: those of
    ``region`` that belong to the bore. ``state``: see :class:`geomcheck.flow.region.Region`.
    ``area``: open area, mm2; ``perimeter``: wetted, mm; both NaN unless the station is measured.
    """

    s: float
    asked: float
    region: Region
    pieces: tuple[int, ...] = ()
    state: State = "path in metal"
    area: float = float("nan")
    perimeter: float = float("nan")

    def judge(self, pieces: tuple[int, ...]) -> None:
        """Take ``pieces`` as those that belong to the bore, and settle the state."""
        self.pieces = pieces
        if self.region.state in ("open", "leaking"):
            self.state = self.region.state
        elif not pieces:
            self.state = "path in metal"
        elif any(self.region.open_in(piece) for piece in pieces):
            self.state = "open"
        else:
            self.state = "measured"
        self.area = self.perimeter = float("nan")
        if self.state == "measured":
            self.area = float(self.region.area[list(pieces)].sum())
            self.perimeter = float(self.region.perimeter[list(pieces)].sum())

    @property
    def box(self) -> FloatArray:
        """(4,) xmin ymin xmax ymax of the open area."""
        box = self.region.box[list(self.pieces)]
        return np.concatenate([box[:, :2].min(axis=0), box[:, 2:].max(axis=0)])

    def shape(self) -> Any:
        """The open area as a shapely geometry, in the plane's (x, y)."""
        return shapely.union_all([self.region.polygon(piece) for piece in self.pieces])

    def rim(self) -> FloatArray:
        """(k, 2) corners of the open area's convex hull, in the plane's (x, y)."""
        return np.asarray(shapely.get_coordinates(shapely.convex_hull(self.shape())))

    @property
    def frame(self) -> FloatArray:
        """(12,) origin, u, v, tangent."""
        return self.region.section.frame


class _Rims(Sequence[FloatArray]):
    """Rims of pairs of stations, near and far in turn, made when they are asked for."""

    def __init__(self, pairs: Sequence[tuple[Station, Station]]) -> None:
        self.pairs = pairs

    def __len__(self) -> int:
        return 2 * len(self.pairs)

    def __getitem__(self, at: Any) -> Any:
        if isinstance(at, slice):
            return [self[k] for k in range(*at.indices(len(self)))]
        return self.pairs[at // 2][at % 2].rim()


class Stations:
    """The stations of one path through given surfaces, in order, and the bounds between them.

    Parameters
    ----------
    surfaces : sequence of Surface
        Walls and obstacles.
    path : FlowPath
    shut : bool
        The walls are cast about a solid and shut its ends, which are ports and no walls.
    """

    def __init__(self, surfaces: Sequence[Surface], path: FlowPath, *, shut: bool = False) -> None:
        self.surfaces = list(surfaces)
        self.path = path
        self.shut = shut
        self.rows: list[Station] = []
        self._known: pieces.Known = {}
        self._bounds: dict[tuple[int, int], tuple[float, float]] = {}
        self._close: set[tuple[int, int]] = set()
        self._spent = 0
        self._gone: list[Station] = []  # kept, so that no id is given twice
        reach = [np.abs(surface.tree.bounds).max() for surface in self.surfaces]
        self.flush = _FLUSH * float(max([*reach, np.abs(path.points).max()]))

    def add(self, places: Any) -> None:
        """Cut at arc lengths ``places`` and judge all stations afresh.

        Where a flat face lies in the plane, the area on either side of it is what is asked for:
        the plane is cut a hair before and a hair behind, within the duct.
        """
        places = np.asarray(places, dtype=np.float64)
        frames = self.path.frames(places)
        rows = []
        for s, section in zip(places, cut(self.surfaces, frames, flush=self.flush), strict=True):
            if section.flat == 0:
                rows.append((float(s), float(s), section))
                continue
            for side in (-2.0, 2.0):
                if 0.0 <= s + side * self.flush <= self.path.length:
                    frame = section.frame.copy()
                    frame[:3] += side * self.flush * frame[9:12]
                    beside = cut(self.surfaces, frame[None])[0]
                    rows.append((float(s), float(s) + side * self.flush, beside))
        with ThreadPoolExecutor(THREADS) as pool:
            regions = list(pool.map(lambda row: Region(row[2], self.surfaces), rows))
        for (asked, s, _), region in zip(rows, regions, strict=True):
            self.rows.append(Station(s, asked, region))
        self.rows.sort(key=lambda row: row.s)
        self.judge()

    def drop(self, rows: Sequence[Station]) -> None:
        """Take stations out and judge the rest afresh."""
        gone = {id(row) for row in rows}
        self._gone.extend(rows)
        self.rows = [row for row in self.rows if id(row) not in gone]
        self.judge()

    def judge(self) -> None:
        """Say which pieces of every station count, and its state."""
        found = pieces.counted([row.region for row in self.rows], self._known)
        for row, chosen in zip(self.rows, found, strict=True):
            if chosen != row.pieces or not chosen:
                row.judge(chosen)

    def least(self) -> Station | None:
        """The measured station of least area."""
        measured = [row for row in self.rows if row.state == "measured"]
        return min(measured, key=lambda row: row.area, default=None)

    def pairs(self) -> list[tuple[Station, Station]]:
        """Neighbouring stations that were both measured."""
        return [
            (a, b)
            for a, b in zip(self.rows, self.rows[1:], strict=False)
            if a.state == b.state == "measured"
        ]

    def floor(self, pairs: Sequence[tuple[Station, Station]]) -> FloatArray:
        """Area below which the bore cannot fall between two neighbouring stations, mm2.

        From either station the area lost on the way is bounded (``geomcheck.flow.between``); the
        better of the two bounds counts. Minus infinity where the planes meet inside the bore,
        because then nothing can be said.
        """
        fresh = [p for p in pairs if (id(p[0]), id(p[1])) not in self._bounds]
        if fresh:
            found = between.loss(self.surfaces, self.slabs(fresh))
            for (a, b), lost in zip(fresh, found, strict=True):
                self._bounds[id(a), id(b)] = (float(lost[0]), float(lost[1]))
        out = np.empty(len(pairs))
        for i, (a, b) in enumerate(pairs):
            begun, ended = self._bounds[id(a), id(b)]
            out[i] = min(a.area, b.area, max(a.area - begun, b.area - ended))
        return out

    def _look_closely(self, pairs: Sequence[tuple[Station, Station]]) -> bool:
        """Better bounds for pairs that are as near as they get; whether there was one to make."""
        fresh = [p for p in pairs if (id(p[0]), id(p[1])) not in self._close]
        for a, b in fresh:
            self._close.add((id(a), id(b)))
            begun, ended = self._bounds[id(a), id(b)]
            if np.isfinite(begun) and self._spent < _CLOSE_WORK:
                bores = (a.shape(), b.shape())
                better, facets = between.close_loss(self.surfaces, self.slabs([(a, b)]), bores)
                self._spent += facets
                self._bounds[id(a), id(b)] = (
                    min(begun, float(better[0])),
                    min(ended, float(better[1])),
                )
        return bool(fresh)

    def slabs(self, pairs: Sequence[tuple[Station, Station]]) -> between.Slabs:
        """The rooms between pairs of measured stations."""
        near, far = (np.array([pair[k].frame for pair in pairs]) for k in (0, 1))
        boxes = np.array([[pair[k].box for pair in pairs] for k in (0, 1)])
        s = np.array([(a.s, b.s) for a, b in pairs])
        turning = self.path.turning(s.ravel()).reshape(-1, 2)
        return between.Slabs(
            near, far, boxes[:, :, :2], boxes[:, :, 2:], s[:, 1] - s[:, 0],
            turning[:, 1] - turning[:, 0], _Rims(pairs),
        )  # fmt: skip

    def _unsettled(
        self, pairs: Sequence[tuple[Station, Station]], least: Station, dip: float
    ) -> BoolArray:
        """Pairs beside the least area, or beside a dip deeper than ``dip``, not yet level."""
        area = np.array([row.area for row in self.rows])
        deep = {id(self.rows[i]) for i, top in dips(area) if area[i] < area[top] * (1.0 - dip)}
        deep.add(id(least))
        level = 1.0 + _SETTLED
        return np.array(
            [
                (id(a) in deep and b.area > a.area * level)
                or (id(b) in deep and a.area > b.area * level)
                for a, b in pairs
            ],
            dtype=bool,
        )

    def densify(self, tolerance: float, dip: float, most: int) -> None:
        """Add stations until no dip that matters can hide between two of them.

        An interval is halved while the area could fall within it below the least area found by
        more than the share ``tolerance``, or below both its ends by more than the share ``dip``;
        and beside the least area, and every dip twice as deep, until that has settled. It ends at
        ``FINEST``, or when there are
        ``most`` stations; what then remains is for the interval of the result.
        """
        while len(self.rows) < most:
            least = self.least()
            if least is None:
                return
            pairs = self.pairs()
            floor = self.floor(pairs)
            ends = np.array([(a.area, b.area) for a, b in pairs]).reshape(-1, 2)
            hidden = floor < least.area * (1.0 - tolerance)
            hidden |= floor < ends.min(axis=1) * (1.0 - dip)
            hidden &= np.isfinite(floor)  # planes that meet, meet however near they are
            hidden |= self._unsettled(pairs, least, 2.0 * dip)
            wide = np.array([b.s - a.s for a, b in pairs]) > FINEST
            wanted = [0.5 * (pairs[i][0].s + pairs[i][1].s) for i in np.flatnonzero(hidden & wide)]
            close = [pairs[i] for i in np.flatnonzero(hidden & ~wide)]
            looked = self._look_closely(close)
            if not wanted and not looked:
                return
            if not wanted:
                continue
            self.add(wanted[: most - len(self.rows)])
