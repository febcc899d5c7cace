"""How the open area along a duct changed, station by station."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.compare.changes import Comparison
from geomcheck.compare.damage import reading
from geomcheck.finding import Finding


@dataclass(frozen=True)
class CurveChange:
    """How the area along one duct changed.

    Parameters
    ----------
    finding : Finding
        Of the later result.
    old : mapping
        The ``curve`` of the earlier finding's details.
    comparable : bool
        Whether both are measured along the same path: then stations answer to one another.
    loss, gain : (s, mm2, per cent) or None
        Where most area was lost and won, mm along the path.
    """

    finding: Finding
    old: Mapping[str, Any]
    comparable: bool
    loss: tuple[float, float, float] | None
    gain: tuple[float, float, float] | None

    @property
    def vehicle(self) -> str:
        """The finding's vehicle."""
        return self.finding.vehicle

    @property
    def subject(self) -> str:
        """The finding's subject."""
        return self.finding.subject


#: Two paths are the same if no point of one is farther from the other's, mm.
_SAME_PATH = 0.05


def curves(comparison: Comparison) -> list[CurveChange]:
    """Area curves that both results have, with the stations that changed most."""
    found = []
    for change in comparison.changes:
        old, new = change.old, change.new
        if old is None or new is None or not (_has_curve(old) and _has_curve(new)):
            continue
        if old.details["curve"] == new.details["curve"]:
            continue
        with reading(new):
            found.append(_curve_change(old, new))
    return found


def _has_curve(finding: Finding) -> bool:
    return isinstance(finding.details.get("curve"), Mapping) and "path" in finding.details


def _curve_change(old: Finding, new: Finding) -> CurveChange:
    was, now = old.details["curve"], new.details["curve"]
    begin, end = (_at_stations(finding) for finding in (old, new))
    comparable = _same_path(begin, end)
    loss = gain = None
    if comparable:
        s = np.array([float(x) for x in now["s"]])
        area = np.array([np.nan if a is None else float(a) for a in now["area"]])
        before = np.interp(s, begin[:, 0], begin[:, 4])
        moved = area - before
        known = np.isfinite(moved)
        if known.any():
            least, most = np.flatnonzero(known)[[moved[known].argmin(), moved[known].argmax()]]
            loss, gain = (
                (float(s[k]), float(moved[k]), float(100.0 * moved[k] / before[k]))
                if sign * moved[k] > 0.05
                else None
                for k, sign in ((least, -1.0), (most, 1.0))
            )
    return CurveChange(new, was, comparable, loss, gain)


def _at_stations(finding: Finding) -> np.ndarray[Any, np.dtype[np.float64]]:
    """(n, 5) path length, point and area; NaN where not measured."""
    curve, path = finding.details["curve"], finding.details["path"]
    rows = [
        (float(s), *map(float, point), np.nan if area is None else float(area))
        for s, point, area in zip(curve["s"], path, curve["area"], strict=True)
    ]
    return np.array(rows)


def _same_path(a: Any, b: Any) -> bool:
    """Whether both run through the same points at the same lengths."""
    if abs(a[-1, 0] - b[-1, 0]) > _SAME_PATH:
        return False
    there = np.stack([np.interp(a[:, 0], b[:, 0], b[:, 1 + k]) for k in range(3)], axis=1)
    return bool(np.linalg.norm(there - a[:, 1:4], axis=1).max() <= _SAME_PATH)
