"""What a survey of a duct found: areas, the throat with its interval, the restrictions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow import restrictions as dips
from geomcheck.flow.beside import Beside, open_beside
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import FloatArray, IntArray, Surface
from geomcheck.flow.stations import Station, Stations
from geomcheck.flow.terms import Gradient, facet_reach, gradient


@dataclass(frozen=True, eq=False)
class Throat:
    """The least open area.

    Parameters
    ----------
    s : float
        mm along the path.
    area : Quantity
        mm2, with the terms of facets, of what may hide between stations, and of the path's tilt.
    point : tuple of float
        The path point there, mm, housing frame.
    tangent : tuple of float
    outline : list of (k, 3) float64
        Closed polylines round the open pieces, mm, housing frame.
    gradient : Gradient
        Change of the area with the plane; ``gradient.angle`` tells how askew the path may be.
    """

    s: float
    area: Quantity
    point: Point
    tangent: Point
    outline: list[FloatArray]
    gradient: Gradient


@dataclass(frozen=True, eq=False)
class Survey:
    """Areas of a duct along its path.

    Arrays have one row per station asked for; ``fine_s``, ``fine_area`` and so on have all
    stations that were cut. Numbers are NaN where ``state`` is not ``measured``. Where a flat face
    lies in a station's plane the lesser of the areas on its two sides stands, and ``step`` holds
    the difference (after minus before).

    Parameters
    ----------
    station : (n,) float64
        mm along the path.
    area, bore_area : (n,) float64
        Open area; the same without obstacles. mm2.
    perimeter : (n,) float64
        Wetted perimeter, mm.
    step : (n,) float64
        mm2; zero where no flat face lies in the plane.
    state : tuple of str
        ``measured``, ``open``, ``leaking`` or ``path in metal``.
    throat : Throat
    inlet : Quantity or None
        Open area at the first station, mm2; None where it is not measured.
    inlet_outline : list of (k, 3) float64
        Closed polylines round it, mm, housing frame.
    restrictions : tuple of Restriction
        Dips of at least what was asked for, along the path.
    deepest : Quantity
        The deepest dip there may be, per cent of its lower shoulder, reported or not.
    unbounded : tuple of (float, float)
        Stretches (mm along the path) where the planes meet within the bore, because the path bends
        more tightly than the bore is wide: what lies between those stations is not bounded.
    beside : tuple of Beside
        Stretches with side openings past which less may be open than the throat's low end.
    """

    path: FlowPath
    station: FloatArray
    area: FloatArray
    bore_area: FloatArray
    perimeter: FloatArray
    step: FloatArray
    state: tuple[str, ...]
    fine_s: FloatArray
    fine_area: FloatArray
    fine_bore_area: FloatArray
    fine_perimeter: FloatArray
    fine_state: tuple[str, ...]
    throat: Throat
    inlet: Quantity | None
    inlet_outline: list[FloatArray]
    restrictions: tuple[dips.Restriction, ...]
    deepest: Quantity
    unbounded: tuple[tuple[float, float], ...]
    beside: tuple[Beside, ...]

    @property
    def complete(self) -> bool:
        """Whether every station was measured and every stretch between them is bounded."""
        return not self.unbounded and all(state == "measured" for state in self.fine_state)

    @property
    def equivalent_diameter(self) -> FloatArray:
        """(n,) diameter of the circle of the same area, mm."""
        return np.asarray(np.sqrt(4.0 * self.area / np.pi))

    @property
    def hydraulic_diameter(self) -> FloatArray:
        """(n,) four times the area over the wetted perimeter, mm."""
        return np.asarray(4.0 * self.area / self.perimeter)

    @property
    def percent_of_inlet(self) -> FloatArray:
        """(n,) area in per cent of the inlet's; NaN where the inlet is not measured."""
        inlet = self.inlet.value if self.inlet is not None else np.nan
        return np.asarray(100.0 * self.area / inlet)

    def loss(self, begin: float, end: float) -> Quantity | None:
        """Loss of area from one station to another, per cent of the first.

        ``(A(begin) - A(end)) / A(begin)``; a gain is negative. Both must be stations asked for.
        None where either is not measured.
        """
        one, two = self._quantity(begin), self._quantity(end)
        if one is None or two is None:
            return None
        return dips.share_lost(one, two, "loss of area")

    def _quantity(self, s: float) -> Quantity | None:
        row = int(np.argmin(np.abs(self.station - s)))
        return self._areas[row]

    @property
    def quantities(self) -> tuple[Quantity | None, ...]:
        """Area at each station asked for with the term of its facets; None where not measured."""
        return self._areas

    @property
    def cuts(self) -> tuple[Station, ...]:
        """The cut behind each station asked for: its plane, its pieces, their outlines."""
        return self._rows

    _areas: tuple[Quantity | None, ...] = ()
    _rows: tuple[Station, ...] = ()


def report(
    rows: Stations,
    walls: int,
    asked: FloatArray,
    ends: dict[float, Station],
    restriction: float,
) -> Survey:
    """Put together the survey of stations that are dense enough.

    ``walls``: how many of the surfaces are walls. ``asked``: arc lengths the caller wants to see.
    ``ends``: the stations that stand in for path ends outside their ports.
    """
    shown = rows.rows
    obstacles = list(range(walls, len(rows.surfaces)))
    bore = np.array([_bore_area(row, rows.surfaces, obstacles) for row in shown])
    pairs = rows.pairs()
    floor = rows.floor(pairs)
    reach = [
        facet_reach(row.region, row.pieces, rows.surfaces) if row.state == "measured" else (0, 0)
        for row in shown
    ]
    areas = [_area(row, *reach[i]) for i, row in enumerate(shown)]
    area = np.array([row.area for row in shown])
    perimeter = np.array([row.perimeter for row in shown])
    pick, step = _picked(shown, asked, ends)
    first = areas[0]
    throat = _throat(rows, floor, np.array([r[0] for r in reach]), areas)
    lower = np.array([min(a.area, b.area) for a, b in pairs])
    hidden = 100.0 * float(np.clip(1.0 - floor / lower, 0.0, 1.0).max(initial=0.0))
    dipping, deepest = dips.find(rows, walls, bore, areas, restriction, hidden)
    return Survey(
        path=rows.path,
        station=asked,
        area=area[pick],
        bore_area=bore[pick],
        perimeter=perimeter[pick],
        step=step,
        state=tuple(shown[i].state for i in pick),
        fine_s=np.array([row.s for row in shown]),
        fine_area=area,
        fine_bore_area=bore,
        fine_perimeter=perimeter,
        fine_state=tuple(row.state for row in shown),
        throat=throat,
        inlet=first,
        inlet_outline=shown[0].region.rings(shown[0].pieces) if first is not None else [],
        restrictions=dipping,
        deepest=deepest,
        unbounded=tuple(
            (a.s, b.s) for (a, b), low in zip(pairs, floor, strict=True) if not np.isfinite(low)
        ),
        beside=open_beside(rows, throat.area.low),
        _areas=tuple(areas[i] for i in pick),
        _rows=tuple(shown[i] for i in pick),
    )


def _picked(
    shown: Sequence[Station], asked: FloatArray, ends: dict[float, Station]
) -> tuple[IntArray, FloatArray]:
    """Row and step of area of each station asked for."""
    pick = np.empty(len(asked), np.int64)
    step = np.zeros(len(asked))
    at: dict[float, list[int]] = {}
    for i, row in enumerate(shown):
        at.setdefault(row.asked, []).append(i)
    number = {id(row): i for i, row in enumerate(shown)}
    for k, s in enumerate(asked):
        found = at.get(float(s))
        if found is None:  # outside the port
            found = [number[id(ends[min(ends, key=lambda end: abs(end - s))])]]
        bad = [i for i in found if shown[i].state != "measured"]
        pick[k] = bad[0] if bad else min(found, key=lambda i: shown[i].area)
        if len(found) == 2 and not bad:
            step[k] = shown[found[1]].area - shown[found[0]].area
    return pick, step


def _bore_area(row: Station, surfaces: Sequence[Surface], obstacles: list[int]) -> float:
    """Open area with the obstacles left out, mm2."""
    if row.state != "measured" or not obstacles:
        return row.area
    return dips.area_without(row, surfaces, obstacles)


def _area(row: Station, minus: float, plus: float) -> Quantity | None:
    if row.state != "measured":
        return None
    facets = Term("facets", min(minus, row.area), plus, "sagitta along the outline")
    return Quantity.from_terms("open area", row.area, "mm2", (facets,))


def _throat(
    rows: Stations,
    floor: FloatArray,
    minus: FloatArray,
    areas: Sequence[Quantity | None],
) -> Throat:
    row = rows.least()
    assert row is not None
    here = rows.rows.index(row)
    quantity = areas[here]
    assert quantity is not None
    # Elsewhere the facets may take more than here: what matters is the lowest of all the bounds.
    number = {id(station): i for i, station in enumerate(rows.rows)}
    own = [a.area - minus[i] for i, a in enumerate(rows.rows) if a.state == "measured"]
    between = [
        low - max(minus[number[id(a)]], minus[number[id(b)]])
        for (a, b), low in zip(rows.pairs(), floor, strict=True)
    ]
    facets = quantity.terms[0]
    hidden = max(0.0, row.area - facets.minus - float(min([*own, *between])))
    slope = gradient(row.region, row.pieces, rows.surfaces)
    terms = (
        facets,
        Term(
            "between stations", min(hidden, row.area), 0.0,
            "facets that face the flow between two stations",
        ),
        Term(
            "tilt of the path", slope.excess, 0.0,
            "estimate, second order, from the gradient of the section's area",
        ),
    )  # fmt: skip
    frame = row.frame
    return Throat(
        s=row.s,
        area=Quantity.from_terms("least area", row.area, "mm2", terms),
        point=_point(frame[0:3]),
        tangent=_point(frame[9:12]),
        outline=row.region.rings(row.pieces),
        gradient=slope,
    )


def _point(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))
