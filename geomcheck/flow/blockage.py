"""What takes area at a station: each part by itself, and what is cast in.

Parts that stand apart are measured by leaving them out of the same section, exactly. What is one
with the casting (a boss, a cup) is estimated: the wall is unrolled round the path into radii
r(s, angle), each angle is followed along the duct by a smooth curve that does not heed what stands
inward of it, and the patch under that curve is what is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.region import BoolArray
from geomcheck.flow.restrictions import area_without
from geomcheck.flow.section import FloatArray, IntArray, Section, Surface, cut
from geomcheck.flow.stations import Station, Stations
from geomcheck.flow.unrolled import RAYS, bridged, radii

#: Stations of the unrolled wall, and half its length in equivalent diameters.
_ALONG, _REACH = 61, 1.0
#: A patch round more than this share of the bore is a waist of the duct, not a boss.
_WAIST = 0.5
#: What the estimate may be off by: 9 % was the worst of the shapes it was tried on.
_TREND = 0.12
_GUESS = "estimate: the wall under the patch is guessed"
#: Half the angle between two rays; bisections of a depth.
_WEDGE, _HALVINGS = np.pi / RAYS, 40


@dataclass(frozen=True, eq=False)
class Share:
    """Area one part takes at a station.

    ``surface``: its number. ``area``: mm2; ``percent`` of the area with it left out. Two parts that
    overlap each take less than both together.
    """

    surface: int
    area: Quantity
    percent: float


@dataclass(frozen=True, eq=False)
class Patch:
    """What stands inward of the smooth wall: an estimate.

    ``surface``: number of the wall it is part of. ``area``: mm2 on the plane. ``percent`` of the
    bore without it. ``begin``, ``end``: mm along the path. ``point``: its innermost place on the
    plane, mm. ``height``: mm it stands in at most. ``direction``: unit vector from the bore into
    the wall, there. ``rays`` (k, 3): per ray on it mm to its face and to the smooth wall, and the
    share of what lies between that is metal.
    """

    surface: int
    area: Quantity
    percent: float
    begin: float
    end: float
    point: Point
    height: float
    direction: Point
    rays: FloatArray

    def relief(self, area: float) -> Quantity | None:
        """How deep its face must be cut back, evenly, to win back ``area`` mm2; None: too much.

        The depth, mm, is counted along the rays. Its interval holds what the smooth wall under the
        patch is guessed by: where that stands further in, there is less to win.
        """
        near, wall, metal = self.rays.T

        def won(depth: float) -> float:
            return float(_WEDGE * (metal * (np.minimum(wall, near + depth) ** 2 - near**2)).sum())

        def depth(wanted: float) -> float:
            low, high = 0.0, self.height
            if wanted >= won(high):
                return high
            for _ in range(_HALVINGS):
                middle = 0.5 * (low + high)
                low, high = (low, middle) if won(middle) >= wanted else (middle, high)
            return high

        if area > self.area.value:
            return None
        value = depth(area)
        off = (value - depth(area / (1.0 + _TREND)), depth(area / (1.0 - _TREND)) - value)
        return Quantity.from_terms("depth", value, "mm", (Term("smooth wall", *off, _GUESS),))


def shares(row: Station, surfaces: Sequence[Surface], numbers: Sequence[int]) -> list[Share]:
    """Area each of some parts takes at a measured station, the largest first.

    Raises
    ------
    CannotDecide
        The station is not measured.
    """
    refuse_unmeasured(row)
    found = []
    for number in sorted(set(numbers)):
        without = area_without(row, surfaces, [number])
        taken = without - row.area
        if not np.isfinite(without) or taken <= 1e-9 * row.area:
            continue
        reach = [float(surfaces[number].outward.max()), float(surfaces[number].inward.max())]
        outline = row.region.outline(row.pieces)
        length = float(outline.lengths[outline.part == number].sum())
        term = Term("facets", min(taken, reach[1] * length), reach[0] * length, "sagitta")
        area = Quantity.from_terms("area taken", taken, "mm2", (term,))
        found.append(Share(number, area, 100.0 * taken / without))
    return sorted(found, key=lambda share: (-share.area.value, share.surface))


def refuse_unmeasured(row: Station) -> None:
    """Raise CannotDecide at a station that has no area."""
    if row.state != "measured":
        raise CannotDecide(
            f"what takes area at {row.s:.2f} mm is not known: the station has no area",
            remedy="make the station measurable; see the finding on it",
        )


def cast_in(
    rows: Stations, s: float, *, left_out: Sequence[int] = (), plane: FloatArray | None = None
) -> list[Patch]:
    """What is cast into the wall at ``s`` mm along the path, the largest first.

    Empty where the wall is smooth, and where it is drawn in all round: that is a waist.

    Parameters
    ----------
    left_out : sequence of int
        Numbers of the obstacles, which are not part of the wall.
    plane : (12,) float, optional
        A plane that crosses the path at ``s``, askew: the wall is then unrolled on planes that
        lean against the path as this one does. Square to the path when not given.

    Raises
    ------
    CannotDecide
        The wall cannot be unrolled round the path there: it is not seen all round from the path,
        or too little of the duct is measured.
    """
    kept = [n for n in range(len(rows.surfaces)) if n not in set(left_out)]
    walls = [rows.surfaces[n] for n in kept]
    known = np.array([(row.s, row.area) for row in rows.rows if row.state == "measured"])
    if not len(known):
        raise CannotDecide("what is cast in is not known: no station has an area")
    # Stations crowd where it is narrow: the usual area is that of evenly spaced places.
    evenly = np.append(np.linspace(known[0, 0], known[-1, 0], _ALONG), s)
    areas = np.interp(evenly, *known.T)
    reach = _REACH * float(np.sqrt(4.0 * max(areas[-1], np.median(areas)) / np.pi))
    low, high = max(0.0, s - reach), min(rows.path.length, s + reach)
    places = np.unique(np.append(np.linspace(low, high, _ALONG), s))
    at = int(np.argmin(np.abs(places - s)))
    frames = rows.path.frames(places)
    if plane is not None:
        frames = _leaning(frames, frames[at], plane)
    cuts = cut(walls, frames)
    rays = [radii(part, walls) for part in cuts]
    first, squares = np.array([r for r, _ in rays]), np.array([q for _, q in rays])
    whole = np.isfinite(first).all(axis=1)
    if not whole[at] or whole.sum() < _ALONG // 2:
        raise CannotDecide(
            f"what is cast in at {s:.2f} mm is not known: the wall is not seen all round there",
            remedy="compare with a revision without it, or give it as a part of its own",
        )
    row = int(whole[:at].sum())
    smooth, inward = bridged(places[whole], first[whole])
    runs = _runs(inward[row])
    if any(len(run) > _WAIST * RAYS for run in runs):
        return []
    near, wall, open_ = first[at], smooth[row], squares[at]
    lost = np.where(inward[row], np.clip(wall**2 - open_, 0.0, None), 0.0)
    bore = _WEDGE * float((open_ + lost).sum())
    out = []
    for run in runs:
        touched = places[whole][inward[:, run].any(axis=1)]
        if not lost[run].any() or touched[-1] - touched[0] >= places[-1] - places[0]:
            continue  # from end to end it is the duct's own shape
        inmost = int(run[np.argmin(near[run])])
        taken = _WEDGE * float(lost[run].sum())
        turn = 2.0 * np.pi * inmost / RAYS
        frame = frames[at]
        away = np.cos(turn) * frame[3:6] + np.sin(turn) * frame[6:9]
        spot = frame[:3] + near[inmost] * away
        off = _TREND * taken
        face, under = near[run], wall[run]
        out.append(
            Patch(
                kept[_owner(cuts[at], near[inmost] * np.array([np.cos(turn), np.sin(turn)]))],
                Quantity.from_terms(
                    "area taken", taken, "mm2", (Term("smooth wall", off, off, _GUESS),)
                ),
                100.0 * taken / bore,
                float(touched[0]),
                float(touched[-1]),
                _point(spot),
                float((wall[run] - near[run]).max()),
                _point(away),
                np.stack([face, under, lost[run] / (under**2 - face**2)], axis=1),
            )
        )
    return sorted(out, key=lambda patch: (-patch.area.value, patch.point))


def _leaning(frames: FloatArray, here: FloatArray, plane: FloatArray) -> FloatArray:
    """Frames that lean against their own as a plane does against the frame ``here``."""
    axes = frames[:, 3:].reshape(-1, 3, 3)
    lean = plane[3:].reshape(3, 3) @ here[3:].reshape(3, 3).T
    return np.hstack([frames[:, :3], (lean @ axes).reshape(-1, 9)])


def _runs(marked: BoolArray) -> list[IntArray]:
    """Stretches of marked rays round the circle, each in order."""
    if marked.all():
        return [np.arange(len(marked))]
    first = int(np.flatnonzero(~marked)[0])
    order = (first + np.arange(len(marked))) % len(marked)
    ends = np.flatnonzero(np.diff(np.r_[False, marked[order], False].astype(np.int8)))
    return [order[a:b] for a, b in zip(ends[::2], ends[1::2], strict=True)]


def _owner(section: Section, spot: FloatArray) -> int:
    """Number of the surface whose outline is nearest to a place in the plane."""
    apart = np.hypot(*(0.5 * (section.lines[:, :2] + section.lines[:, 2:]) - spot).T)
    return int(section.part[np.searchsorted(section.offsets, np.argmin(apart), side="right") - 1])


def _point(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))
