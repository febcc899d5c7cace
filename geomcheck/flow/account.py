"""A survey in plain words and plain data, for findings and reports."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Point
from geomcheck.flow.restrictions import Restriction
from geomcheck.flow.result import Survey
from geomcheck.flow.section import FloatArray

#: Most rows of an area curve, and most points of an outline, that are handed on.
ROWS = 1500

#: Why a station has no number, and what to do, by its state.
UNMEASURED: dict[str, tuple[str, str]] = {
    "open": (
        "an outline does not close there (a hole in a mesh)",
        "close the hole in the mesh",
    ),
    "leaking": (
        "no wall closes round the path there (a gap between parts, a missing wall, or a path "
        "that leaves the duct)",
        "name the missing wall or gasket in walls, close the gap, or end the path in the duct",
    ),
    "path in metal": (
        "the path runs through metal there",
        "move the path's points into the bore",
    ),
}


def details(survey: Survey, names: Sequence[str]) -> dict[str, Any]:
    """A survey as JSON types, rounded to 0.0001 mm.

    ``names``: of the surfaces, walls first. Keys as in ``geomcheck.checks.flow_area``.
    """
    keep = np.zeros(len(survey.fine_s), bool)
    keep[:: -(-len(survey.fine_s) // ROWS)] = True
    keep[-1] = True
    keep |= np.isin(survey.fine_s, [survey.throat.s, *(r.s for r in survey.restrictions)])
    hydraulic = 4.0 * survey.fine_area / survey.fine_perimeter
    throat = survey.throat
    inlet = None if survey.inlet is None else survey.inlet.value
    return {
        "curve": {
            "s": numbers(survey.fine_s[keep]),
            "area": numbers(survey.fine_area[keep]),
            "bore_area": numbers(survey.fine_bore_area[keep]),
            "hydraulic_diameter": numbers(hydraulic[keep]),
            "state": [state for state, k in zip(survey.fine_state, keep, strict=True) if k],
        },
        "throat": {
            "s": round(throat.s, 4),
            "area": round(throat.area.value, 4),
            "point": numbers(throat.point),
            "askew_degrees": round(throat.gradient.angle, 4),
            "equivalent_diameter": round(diameter(throat.area.value), 4),
            "percent_of_inlet": round(100.0 * throat.area.value / inlet, 4) if inlet else None,
        },
        "inlet_area": None if inlet is None else round(inlet, 4),
        "restrictions": [
            {
                "s": round(r.s, 4),
                "part": names[r.surface],
                "area_lost": round(r.area_lost, 4),
                "percent": round(r.depth.value, 4),
                "point": numbers(r.point),
                "estimate": r.estimate,
            }
            for r in survey.restrictions
        ],
        "path": [numbers(p) for p in survey.path.frames(survey.fine_s[keep])[:, :3]],
        "outlines": {
            "throat": [_line(ring) for ring in throat.outline],
            "inlet": [_line(ring) for ring in survey.inlet_outline],
        },
    }


def numbers(values: Sequence[float] | FloatArray) -> list[float | None]:
    """Numbers rounded to four decimals; None for NaN."""
    return [round(float(x), 4) if np.isfinite(x) else None for x in values]


def _line(ring: FloatArray) -> list[list[float | None]]:
    every = -(-len(ring) // ROWS)
    return [numbers(p) for p in [*ring[:-1:every], ring[-1]]]


def diameter(area: float) -> float:
    """Diameter of the circle of an area, mm.

    Examples
    --------
    >>> round(diameter(5026.548), 3)
    80.0
    """
    return float(np.sqrt(4.0 * area / np.pi))


def place(values: Sequence[float] | FloatArray) -> str:
    """A point in words.

    Examples
    --------
    >>> place((1, 2.345678, -0.0))
    '(1.00, 2.35, 0.00)'
    """
    return "(" + ", ".join(f"{round(float(x), 2) + 0.0:.2f}" for x in values) + ")"


def point(values: FloatArray) -> Point:
    """A point as a tuple of floats."""
    return (float(values[0]), float(values[1]), float(values[2]))


def stretches(s: FloatArray, apart: float) -> str:
    """Places along a path in words; those no further ``apart`` become one stretch.

    Examples
    --------
    >>> stretches(np.array([1.0, 2.0, 9.0]), 1.5)
    '1.00 to 2.00 mm, 9.00 mm'
    """
    cuts = np.flatnonzero(np.diff(s) > apart) + 1
    words = [
        f"{run[0]:.2f} mm" if len(run) == 1 else f"{run[0]:.2f} to {run[-1]:.2f} mm"
        for run in np.split(s, cuts)
    ]
    return ", ".join(words[:6]) + (f" and {len(words) - 6} more places" if len(words) > 6 else "")


def throat_cause(survey: Survey) -> Restriction | None:
    """The restriction that is the throat, if one is."""
    return next((dip for dip in survey.restrictions if dip.s == survey.throat.s), None)


def throat_in_words(survey: Survey, names: Sequence[str]) -> str:
    """The least area with its place, and what takes area there; no closing full stop."""
    area, there = survey.throat.area, throat_cause(survey)
    text = (
        f"Least open area {area.value:.2f} mm2 (between {area.low:.2f} and {area.high:.2f}) at "
        f"{survey.throat.s:.2f} mm along the path, {place(survey.throat.point)}; equivalent "
        f"diameter {diameter(area.value):.2f} mm"
    )
    if survey.inlet is not None:
        text += f", {100 * area.value / survey.inlet.value:.1f} % of the inlet"
    if there is not None:
        about = "about " if there.estimate else ""
        text += f'; "{names[there.surface]}" takes {about}{there.area_lost:.2f} mm2 there'
    return text


def remedy_for_throat(survey: Survey, limit: float, names: Sequence[str]) -> str:
    """What to do about a least area that is not surely ``limit`` mm2."""
    area, there = survey.throat.area, throat_cause(survey)
    short = limit - area.low
    if short <= 0:
        return "Make the stations that have no number measurable; see the finding on them."
    if area.value >= limit:
        return (
            f"Make the throat {short:.2f} mm2 larger, or export the parts with a finer tolerance, "
            "so that the area is beyond doubt."
        )
    if there is not None:
        return (
            f'Trim or move "{names[there.surface]}" at {place(there.point)}, or widen the bore '
            f"round it: {short:.2f} mm2 are wanting."
        )
    return (
        f"Widen the bore at {place(survey.throat.point)} by {short:.2f} mm2: from an equivalent "
        f"diameter of {diameter(area.value):.2f} to {diameter(area.value + short):.2f} mm."
    )
