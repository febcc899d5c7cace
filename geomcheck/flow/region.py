"""The open pieces of one section: where the air can be, and whether the section can be believed.

Material is the union of all parts by winding number, each part by itself: a point is in the
metal of a part when the part's outlines wind round it, so that two overlapping bodies in one file
count once, and a cavity counts as void. An open surface (a scan of a bore) that faces the void
has no outside to start from: there the least winding number is the void.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from geomcheck.flow.section import FloatArray, IntArray, Section, Surface
from geomcheck.kernels import sections as kernel

State: TypeAlias = Literal["measured", "open", "leaking", "path in metal"]
BoolArray: TypeAlias = NDArray[np.bool_]

#: Distance below which two outlines count as touching, as a share of the section's size. Below
#: the length that ``section.cut`` keeps, so that neighbours on one outline never touch.
_TOUCH = 2.5e-12


@dataclass(frozen=True, eq=False)
class Outline:
    """Boundary of open pieces: segments with the part and triangle each lies on.

    ``lines`` (k, 4) float64, ``part`` (k,) and ``triangle`` (k,) int64.
    """

    lines: FloatArray
    part: IntArray
    triangle: IntArray

    @property
    def lengths(self) -> FloatArray:
        """(k,) mm."""
        return np.asarray(
            np.hypot(self.lines[:, 2] - self.lines[:, 0], self.lines[:, 3] - self.lines[:, 1])
        )


class Region:
    """The bounded open pieces of one section.

    Parameters
    ----------
    section : Section
    surfaces : sequence of Surface
        In the order the section was cut in.

    Attributes
    ----------
    area, perimeter : (k,) float64
        Of each piece: mm2; mm with the outlines of what stands in it.
    box : (k, 4) float64
        xmin ymin xmax ymax.
    main : int
        The piece the path point lies in, or -1.
    state : str
        ``measured``: the path point lies in a piece, and every outline near it closes.
        ``open``: an outline near the path point does not close. ``leaking``: no wall surrounds
        the path point. ``path in metal``.
    """

    def __init__(self, section: Section, surfaces: Sequence[Surface]) -> None:
        self.section = section
        self._surfaces = surfaces
        self._polygons: list[Any] | None = None
        s = section
        touch = _TOUCH * s.size
        knots = kernel.tangled(s.lines, s.offsets, touch)
        parent, inside, home = kernel.nest(s.lines, s.offsets, s.part, s.box, s.area, len(surfaces))
        if knots.any() and self._knotted(knots, home):
            self._node()
            return
        level = self._level(inside)
        void = (inside == level).all(axis=1)
        # A face whose own outline or whose islands are knotted lies far off: leave it out.
        bad = knots.copy()
        bad[parent[knots & (parent >= 0)]] = True
        self._outer: IntArray = np.flatnonzero(void & ~bad)
        self._parent: IntArray = parent
        size: FloatArray = np.abs(s.area)
        island = parent >= 0
        holes = np.bincount(parent[island], size[island], len(size)).astype(np.float64)
        rims = np.bincount(parent[island], s.length[island], len(size)).astype(np.float64)
        self.area: FloatArray = (size - holes)[self._outer]
        self.perimeter: FloatArray = (s.length + rims)[self._outer]
        self.box: FloatArray = s.box[self._outer]
        self.main = -1
        if home >= 0 and void[home]:
            self.main = int(np.searchsorted(self._outer, home))
        free = bool(void[home]) if home >= 0 else bool((level == 0).all())
        self.state = self._judge(free, s.box[home] if home >= 0 else None)

    def _level(self, inside: IntArray) -> IntArray:
        """The winding number that means void, per part."""
        level = np.zeros(len(self._surfaces), np.int64)
        if len(inside):
            lowest = inside.min(axis=0)
            for part in np.flatnonzero(lowest < 0).tolist():
                if not self._surfaces[part].closed:
                    level[part] = lowest[part]
        return level

    def _knotted(self, knots: BoolArray, home: int) -> bool:
        """Whether outlines that cross or touch lie near enough to matter."""
        if home < 0 or knots[home]:
            return True
        low, high = self.section.box[home, :2], self.section.box[home, 2:]
        reach = high - low
        box = self.section.box[knots]
        return bool(
            (
                (box[:, :2] <= high + reach).all(axis=1) & (box[:, 2:] >= low - reach).all(axis=1)
            ).any()
        )

    def _judge(self, free: bool, around: FloatArray | None) -> State:
        """State of the section; ``around``: box of the outline round the path, if there is one."""
        if self.main >= 0:
            return "open" if self.open_in(self.main) else "measured"
        if len(self._loose(around)):
            return "open"
        return "leaking" if free else "path in metal"

    def _loose(self, box: FloatArray | None) -> FloatArray:
        """Segments of chains that do not close, in a box or (None) anywhere."""
        loose = self.section.open_lines
        if box is None or not len(loose):
            return loose
        low = np.minimum(loose[:, :2], loose[:, 2:])
        high = np.maximum(loose[:, :2], loose[:, 2:])
        return loose[(low <= box[2:]).all(axis=1) & (high >= box[:2]).all(axis=1)]

    def open_in(self, piece: int) -> bool:
        """Whether an outline that does not close reaches into the outline of a piece."""
        loose = self._loose(self.box[piece])
        if not len(loose):
            return False
        filled = shapely.Polygon(self.polygon(piece).exterior)
        return bool(shapely.intersects(filled, shapely.linestrings(loose.reshape(-1, 2, 2))).any())

    def _node(self) -> None:
        """Pieces by noding: every outline is cut where it meets another, every face classified."""
        s = self.section
        lines = shapely.linestrings(s.lines.reshape(-1, 2, 2))
        noded = shapely.get_parts(shapely.union_all(lines))
        faces = shapely.get_parts(shapely.polygonize(noded))
        where = shapely.get_coordinates(shapely.point_on_surface(faces))
        parts = len(self._surfaces)
        turns = kernel.winding(s.lines, s.offsets, s.part, s.box, parts, where)
        level = self._level(turns)
        void = shapely.union_all(faces[(turns == level).all(axis=1)])
        pieces = [
            p for p in shapely.get_parts(void) if p.geom_type == "Polygon" and p.area > _speck(s)
        ]
        self._polygons = pieces
        self.area = shapely.area(pieces) if pieces else np.zeros(0)
        self.perimeter = shapely.length(pieces) if pieces else np.zeros(0)
        self.box = shapely.bounds(pieces) if pieces else np.zeros((0, 4))
        here = shapely.Point(0.0, 0.0)
        holding = [i for i, piece in enumerate(pieces) if piece.intersects(here)]
        self.main = holding[0] if holding else -1
        own = kernel.winding(s.lines, s.offsets, s.part, s.box, parts, np.zeros((1, 2)))
        around = s.box[(s.box[:, :2] <= 0).all(axis=1) & (s.box[:, 2:] >= 0).all(axis=1)]
        limits = None
        if len(around):
            limits = np.concatenate([around[:, :2].min(axis=0), around[:, 2:].max(axis=0)])
        self.state = self._judge(bool((own[0] == level).all()), limits)

    def __len__(self) -> int:
        return len(self.area)

    def polygon(self, piece: int) -> Any:
        """A piece as a shapely Polygon in the plane's (x, y)."""
        if self._polygons is not None:
            return self._polygons[piece]
        if piece not in self._drawn:
            outer, *islands = (
                self.section.lines[self.section.offsets[k] : self.section.offsets[k + 1], :2]
                for k in self._loops(piece)
            )
            self._drawn[piece] = shapely.Polygon(outer, islands)
        return self._drawn[piece]

    @cached_property
    def _drawn(self) -> dict[int, Any]:
        return {}

    def _loops(self, piece: int) -> IntArray:
        outer = self._outer[piece]
        return np.concatenate([[outer], np.flatnonzero(self._parent == outer)])

    def outline(self, pieces: Sequence[int]) -> Outline:
        """Boundary of some pieces, each segment with its part and triangle."""
        s = self.section
        if self._polygons is None:
            loops = [k for piece in pieces for k in self._loops(piece)]
            rows = np.concatenate(
                [np.arange(s.offsets[k], s.offsets[k + 1]) for k in loops] or [np.zeros(0, int)]
            )
            part = np.repeat(np.arange(len(s.part)), np.diff(s.offsets))[rows]
            return Outline(s.lines[rows], s.part[part], s.triangle[rows])
        rings = shapely.get_rings([self._polygons[piece] for piece in pieces])
        points = [shapely.get_coordinates(ring) for ring in rings]
        lines = np.concatenate([np.hstack([p[:-1], p[1:]]) for p in points] or [np.zeros((0, 4))])
        return Outline(lines, *self._owners(lines))

    def _owners(self, lines: FloatArray) -> tuple[IntArray, IntArray]:
        """Part and triangle of noded segments: the original segment under their middle."""
        s = self.section
        index = shapely.STRtree(shapely.linestrings(s.lines.reshape(-1, 2, 2)))
        middles = shapely.points(0.5 * (lines[:, :2] + lines[:, 2:]))
        row = np.asarray(index.nearest(middles), dtype=np.int64)
        loop = np.searchsorted(s.offsets, row, side="right") - 1
        return s.part[loop], s.triangle[row]

    def rings(self, pieces: Sequence[int]) -> list[FloatArray]:
        """Closed 3D polylines (k, 3), mm, housing frame, round some pieces and their islands."""
        out = []
        for piece in pieces:
            for ring in shapely.get_rings(self.polygon(piece)):
                out.append(self.section.to_space(shapely.get_coordinates(ring)))
        return out


def _speck(section: Section) -> float:
    """Area below which a noded face is rounding, mm2."""
    return 1e-12 * section.size**2


def overlap(one: Region, i: int, two: Region, j: int) -> float:
    """Shared area of two pieces in the path's frame, as a share of the smaller one."""
    shared = shapely.intersection(one.polygon(i), two.polygon(j)).area
    return float(shared / min(one.area[i], two.area[j]))
