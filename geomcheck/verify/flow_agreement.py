"""Re-check of areas told two ways: the plane sections anew; the levels are not solved again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow_duct import Duct, Station, duct_of
from geomcheck.verify.scene import Scene

#: A path that was found by itself is known by rounded points: areas agree to this share.
SHARE = 1e-3


def agreement(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Whatever ``flow-agreement`` says of a duct."""
    told: Any = finding.details
    if "plane" not in told:
        yield left_open("two ways", "the finding has no figures")
        return
    duct = duct_of(scene, finding)
    plane = np.array(told["plane"], dtype=np.float64)
    level = np.array(told["level"], dtype=np.float64)
    rows = duct.along(told["s"])
    areas = np.array([_area(row) for row in rows])
    off = np.abs(areas / plane - 1.0)
    same = np.isfinite(areas) == np.isfinite(plane)
    worst = float(np.nanmax(off)) if np.isfinite(off).any() else 0.0
    words = f"{len(rows)} sections, {100.0 * worst:.4f} % off at most"
    yield confirm("areas by planes", bool(same.all()) and worst <= SHARE, words)
    yield _trust(duct, rows, told["trusted"])
    both = np.isfinite(plane) & np.isfinite(level)
    if finding.verdict is Verdict.NOT_APPLICABLE and both.any():
        apart = np.where(both, np.abs(plane / level - 1.0), -1.0)
        k = int(apart.argmax())
        place = np.linalg.norm(np.array(finding.witnesses[0].point) - rows[k].point)
        words = f"{100.0 * apart[k]:.3f} % at {rows[k].s:.2f} mm"
        yield confirm("farthest apart", bool(place <= 0.05), words)
    yield left_open("areas by levels", "the potential of the void is not solved again")


def _area(row: Station) -> float:
    """Area of the piece that holds the path, by the walls alone."""
    if row.cut.state != "measured" or row.cut.main < 0:
        return float("nan")
    return float(row.cut.bores[row.cut.main].area)


def _trust(duct: Duct, rows: tuple[Station, ...], told: list[str]) -> Claim:
    """That the plane is trusted only where neighbouring planes do not meet in the bore."""
    wrong, doubtful = 0, 0
    reach = 1e-3 * duct.line.length
    for row, trusted in zip(rows, told, strict=True):
        if not np.isfinite(_area(row)):
            wrong += trusted == "plane"
            continue
        low, high = max(row.s - reach, 0.0), min(row.s + reach, duct.line.length)
        bend = (duct.line.ahead(high) - duct.line.ahead(low)) / (high - low)
        outline = shapely.get_coordinates(row.cut.bores[row.cut.main].exterior)
        most = float((outline @ (row.frame @ bend)).max())
        if abs(most - 1.0) < 0.02:
            doubtful += 1
        elif (most >= 1.0) == (trusted == "plane"):
            wrong += 1
    words = f"{len(rows)} stations, {wrong} otherwise" + (f", {doubtful} close" if doubtful else "")
    return confirm("which one is trusted", wrong == 0, words)
