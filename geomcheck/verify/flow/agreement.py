"""Re-check of areas told two ways: plane sections anew, levels of a potential on plain cubes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.duct import Duct, duct_of
from geomcheck.verify.flow.levels import areas, field
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import Scene

#: A path that was found by itself is known by rounded points: areas agree to this share.
SHARE = 1e-3
#: Areas are written to so much, mm2.
ROUND = 1e-4
#: Plain cubes tell a level's area to this share; where more than STILL of a section is still air
#: they cannot.
COARSE, STILL = 0.05, 0.01


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
    found = np.array([_area(row) for row in rows])
    off = np.abs(found / plane - 1.0)
    # Where an outline near the path ends loose this way of cutting knows no area at all.
    loose = np.array([row.cut.state == "open" for row in rows], dtype=bool)
    same = (np.isfinite(found) == np.isfinite(plane)) | (loose & np.isfinite(plane))
    worst = float(np.nanmax(off)) if np.isfinite(off).any() else 0.0
    words = f"{len(rows)} sections, {100.0 * worst:.4f} % off at most"
    holds = bool(same.all()) and worst <= SHARE
    if holds and loose.any():
        yield left_open("areas by planes", f"{int(loose.sum())} of {len(rows)} do not close here")
    else:
        yield confirm("areas by planes", holds, words)
    yield _trust(duct, rows, told["trusted"])
    both = np.isfinite(plane) & np.isfinite(level)
    if finding.verdict is Verdict.NOT_APPLICABLE and both.any():
        apart = np.where(both, np.abs(plane / level - 1.0), -1.0)
        # Of stations that differ as much, to the rounding of their areas, any may be shown.
        slack = ROUND * (1.0 / plane + 1.0 / level)
        places = np.array([row.point for row in rows])
        off = np.linalg.norm(places - np.array(finding.witnesses[0].point), axis=1)
        k, worst = int(off.argmin()), int(apart.argmax())
        holds = bool(off[k] <= 0.05 and apart[k] + slack[k] + slack[worst] >= apart[worst])
        words = f"{100.0 * apart[worst]:.4f} % at {rows[worst].s:.2f} mm"
        words += f"; {100.0 * apart[k]:.4f} % at {rows[k].s:.2f} mm, {off[k]:.3f} mm from the place"
        yield confirm("farthest apart", holds, words)
    yield _levels(duct, rows, level, told["stagnant"])


def _levels(
    duct: Duct, rows: tuple[Station, ...], told: FloatArray, stagnant: list[float | None]
) -> Claim:
    """That the levels' areas are those of a potential on plain cubes, to some per cent."""
    what = "areas by levels"
    if len(duct.entry.outlets) > 1 or duct.entry.closed or duct.entry.seal:
        return left_open(what, "openings are shut for the potential, which is not made again")
    closed = tuple(row for row in rows if row.state == "measured")
    if len(closed) < 3:
        return left_open(what, "no three sections close")
    found = duct.once("levels", lambda: field(duct, closed))
    if found is None:
        return left_open(what, "plain cubes do not join its ends")
    own = areas(found, closed)
    off, count = 0.0, 0
    for row, area in zip(closed, own, strict=True):
        k = next(n for n, one in enumerate(rows) if one is row)
        still = stagnant[k]
        # Air that all but stands still is left out there, and counts here.
        if np.isfinite(area) and np.isfinite(told[k]) and still is not None and still <= STILL:
            off, count = max(off, abs(float(area / told[k]) - 1.0)), count + 1
    if not count:
        return left_open(what, "no station is clear of the ends and of still air")
    words = f"sampled: {count} levels on cubes of {found.side:.2f} mm, {100.0 * off:.2f} % off"
    return confirm(what, off <= COARSE, words)


def _area(row: Station) -> float:
    """Area of the piece that holds the path, by the walls alone."""
    if row.cut.state != "measured" or row.cut.main < 0:
        return float("nan")
    return float(row.cut.bores[row.cut.main].area)


def _trust(duct: Duct, rows: tuple[Station, ...], told: list[str]) -> Claim:
    """That the plane is trusted only where neighbouring planes do not meet in the bore."""
    wrong, doubtful, loose = 0, 0, 0
    reach = 1e-3 * duct.line.length
    for row, trusted in zip(rows, told, strict=True):
        if row.cut.state == "open" and trusted == "plane":
            loose += 1
            continue
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
    if loose and not wrong:
        return left_open("which one is trusted", f"{words}, {loose} do not close here")
    return confirm("which one is trusted", wrong == 0, words)
