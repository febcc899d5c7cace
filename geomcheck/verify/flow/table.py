"""Loss coefficients read from the table anew, by straight lines between its rows.

Only the figures are those of ``geomcheck/standards/loss_coefficients.csv``; how they are read is
written again from the table's own heads.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from geomcheck.standards import loss_coefficients
from geomcheck.verify.plain.simple import FloatArray

Ends: TypeAlias = tuple[float, float]


def _rows(feature: str) -> FloatArray:
    """(n, 4) angle, ratio, low, high."""
    return np.array(
        [
            (row.angle or 0.0, row.ratio or 0.0, row.low, row.high)
            for row in loss_coefficients(feature)
        ]
    )


def _line(rows: FloatArray, column: int, at: float) -> Ends:
    low, high = (float(np.interp(at, rows[:, column], rows[:, k])) for k in (2, 3))
    return low, high


def _grid(rows: FloatArray, angle: float, ratio: float, *, ends_at_one: bool = False) -> Ends:
    angles = np.unique(rows[:, 0])
    found = []
    for one in angles:
        line = rows[rows[:, 0] == one]
        if ends_at_one:
            line = np.vstack([line, [one, 1.0, 0.0, 0.0]])
        found.append(_line(line, 1, ratio))
    low, high = (float(np.interp(angle, angles, [ends[k] for ends in found])) for k in (0, 1))
    if angle < angles[0]:
        share = angle / float(angles[0])
        return low * share, high * share
    return low, high


def entry(ratio: float) -> Ends:
    """Entry by the radius of its edge over the diameter."""
    return _line(_rows("entry"), 1, ratio)


def blade(angle: float) -> Ends:
    """Blade by degrees off wide open."""
    return _line(_rows("blade"), 0, angle)


def bend(angle: float, ratio: float) -> Ends:
    """Bend by its angle and the radius of its centre line over the diameter."""
    if angle > 180.0:
        one, two = bend(180.0, ratio), bend(angle - 180.0, ratio)
        return one[0] + two[0], one[1] + two[1]
    return _grid(_rows("bend"), angle, min(max(ratio, 0.5), 10.0))


def widening(angles: Sequence[float]) -> Ends:
    """Share of the loss of a sudden enlargement, over what the whole angle of the cone may be."""
    rows, found = _rows("diffuser"), []
    for angle in angles:
        low, high = _line(rows, 0, max(angle, float(rows[0, 0])))
        found.append((low * min(1.0, angle / float(rows[0, 0])), high))
    return min(low for low, _ in found), max(high for _, high in found)


def narrowing(angles: Sequence[float], ratios: Sequence[float]) -> Ends:
    """Narrowing, over what its angle and its ratio of areas may be."""
    rows, found = _rows("contraction"), []
    for angle in angles:
        for ratio in ratios:
            low, high = _grid(
                rows, min(max(angle, 10.0), 180.0), min(max(ratio, 0.1), 1.0), ends_at_one=True
            )
            found.append((low * min(1.0, angle / 10.0), high))
    return min(low for low, _ in found), max(high for _, high in found)


def drawn(ratio: float) -> float:
    """Share of a sharp-edged opening that the stream behind it fills."""
    return _line(_rows("vena contracta"), 1, ratio)[0]


def orifice(ratio: float) -> float:
    """Loss of a sharp-edged opening on the velocity behind it: drawn together, then spread."""
    return float((1.0 / (drawn(ratio) * ratio) - 1.0) ** 2)
