"""Re-check of the true throat: its plane, planes of any tilt about it, the largest ball."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.area import LEAST, SHARE, same_limit
from geomcheck.verify.flow.ball import ball
from geomcheck.verify.flow.duct import Duct, duct_of
from geomcheck.verify.flow.facets import allowance
from geomcheck.verify.flow.seen import seen_past
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray, axis_frame
from geomcheck.verify.scene import Scene

#: Tilts (degrees) that are sampled, in so many directions round the path.
TILTS = (1.0, 5.0, 15.0, 30.0)
ROUND = 6
#: Places along the path, in equivalent diameters from the throat.
AWAY = (-1.0, -0.5, -0.25, -0.1, 0.0, 0.1, 0.25, 0.5, 1.0)
#: Places of the whole path at which planes are tilted, besides.
PLACES = 6
#: A plane is moved by so much (mm) where it does not close as written.
NUDGES = (0.0, 0.01, -0.01, 0.03, -0.03)
#: A section leaves the duct by an end that it passes by more than this, mm.
OUT = 0.01
#: Of a tilted section that belongs to the duct, the least share seen from a section square to it.
SEEN = 0.5


def throat(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Whatever ``flow-throat`` says of a duct."""
    duct = duct_of(scene, finding)
    quantity = finding.quantity
    if finding.subject.endswith(", passage"):
        yield from ball(finding, duct)
        return
    if quantity is None:
        yield left_open("throat", "the finding has no number")
        return
    yield from same_limit(finding, duct.entry.least_area)
    plane: Any = finding.details["plane"]
    point = np.array(plane["point"], dtype=np.float64)
    normal = np.array(plane["normal"], dtype=np.float64)
    normal /= np.linalg.norm(normal)
    s, frame = _crossed(duct, point, normal), axis_frame(normal)
    near = duct.at(s)
    lean = float(np.degrees(np.arccos(np.clip(near.normal @ normal, -1.0, 1.0))))
    holds = abs(s - plane["s"]) <= 0.02 and abs(lean - plane["tilt_degrees"]) <= 0.02
    words = f"crosses the path at {s:.3f} mm, tilted {lean:.3f} degrees"
    yield confirm("plane", holds, words)
    # The plane is written to four decimals: one that touches the edge of a port may stand out.
    tried = (_tilted(duct, near, point + off * normal, normal, frame) for off in NUDGES)
    found = next((one for one in tried if one is not None), None)
    if found is None:
        duct.refuse_scans()
        yield confirm("area at the throat", False, "the walls make no closed outline there")
        return
    if duct.entry.void:
        # The ends of a void given as a solid are no walls: a section shut by them parts nothing.
        cut = duct.cut(point, normal, frame)
        rims = [shapely.get_coordinates(piece.exterior) for piece in cut.bores]
        out = not rims or _out_at_an_end(duct, point + np.concatenate(rims) @ frame)
        yield confirm(
            "from wall to wall", not out, "through an end" if out else "clear of the ends"
        )
    told = float(plane["area"])
    holds = abs(found - told) <= 1e-4 * told + LEAST
    yield confirm("area at the throat", holds, f"{found:.3f} mm2 against {told:.3f} mm2")
    trusted = finding.details.get("trusted")
    if trusted != "plane":
        holds = quantity.value <= told * (1.0 + SHARE) + LEAST
        yield confirm("no more than the plane", holds, f"{quantity.value:.3f} mm2")
        yield left_open("value", f"it is that of a {trusted}, which is not made again")
    else:
        holds = abs(quantity.value - told) <= 1e-3
        yield confirm("value", holds, f"{quantity.value:.4f} mm2, the plane's {told:.4f} mm2")
        yield _on_throat(finding, near, point)
    yield _none_smaller(duct, near, quantity.low)
    yield from seen_past(duct, quantity.low, duct.entry.throat == "planes and cut")
    yield allowance(near, duct, quantity)


def _on_throat(finding: Finding, near: Station, point: FloatArray) -> Claim:
    off = float(np.linalg.norm(np.array(finding.witnesses[0].point) - point))
    return confirm("place", off <= 1e-3, f"{off:.5f} mm from the middle of the section")


def _crossed(duct: Duct, point: FloatArray, normal: FloatArray) -> float:
    """Length at which the line crosses a plane, next to a point of it."""
    near, _ = duct.line.nearest(point)
    reach = 60.0
    s = np.linspace(max(near - reach, 0.0), min(near + reach, duct.line.length), 6001)
    side = (duct.line.point(s) - point) @ normal
    change = np.flatnonzero((side[:-1] <= 0.0) != (side[1:] <= 0.0))
    if not len(change):
        return near
    k = change[np.argmin(np.abs(s[change] - near))]
    return float(s[k] - side[k] * (s[k + 1] - s[k]) / (side[k + 1] - side[k]))


def _tilted(
    duct: Duct,
    near: Station,
    point: FloatArray,
    normal: FloatArray,
    frame: FloatArray,
    *,
    inside: bool = False,
) -> float | None:
    """Open area on a tilted plane: pieces that, seen along the line, lie in the section near it.

    None where no outline closes; ``inside``: or where it leaves the duct by an end.
    """
    at = near.point + ((point - near.point) @ normal) / (near.normal @ normal) * near.normal
    cut = duct.cut(at, normal, frame)
    if cut.state == "open" or near.state != "measured":
        return None
    straight: BaseGeometry = shapely.union_all([near.cut.bores[k] for k in near.bores])
    chosen = []
    for k, piece in enumerate(cut.bores):
        seen = _seen_square(piece, at, frame, near)
        common = seen.intersection(straight).area
        if k == cut.main or common >= SEEN * min(seen.area, straight.area):
            chosen.append(k)
    if not chosen:
        return None
    rim = np.concatenate([shapely.get_coordinates(cut.bores[k].exterior) for k in chosen])
    if inside and _out_at_an_end(duct, at + rim @ frame):
        return None
    return float(cut.open(chosen).area)


def _out_at_an_end(duct: Duct, points: FloatArray) -> bool:
    """Whether a section leaves the duct by an end of its line, and so does not part its ends."""
    line = duct.line
    for s, sense in ((0.0, -1.0), (line.length, 1.0)):
        end, ahead = line.point(s), line.ahead(s)
        beyond = sense * (points - end) @ ahead > OUT
        # A bend may bring another stretch of the duct beyond the plane of its end.
        wide = float(np.ptp(points, axis=0).max())
        if (beyond & (np.linalg.norm(points - end, axis=1) <= wide)).any():
            return True
    return False


def _seen_square(
    piece: shapely.Polygon, at: FloatArray, frame: FloatArray, near: Station
) -> BaseGeometry:
    """A piece of a tilted plane, laid along the line on the section square to it."""

    def laid(flat: FloatArray) -> FloatArray:
        space = at + flat @ frame - near.point
        found: FloatArray = space @ near.frame.T
        return found

    shape: BaseGeometry = shapely.transform(shapely.Polygon(piece.exterior), laid)
    return shapely.make_valid(shape)


def _none_smaller(duct: Duct, near: Station, low: float) -> Claim:
    """That of many planes about the throat and along the path none is smaller than the low end."""
    least, at, count = duct.once(("tilted", round(near.s, 4)), lambda: _sampled(duct, near))
    words = f"sampled: {count} planes, tilted up to {TILTS[-1]:g} degrees, least {least:.2f} mm2"
    holds = least >= low - SHARE * low
    if not holds:
        words += f" at {at:.2f} mm, less than {low:.2f} mm2"
    return confirm("no smaller section", holds, words)


def _sampled(duct: Duct, near: Station) -> tuple[float, float, int]:
    """Least area of planes tilted all ways about a place, its place, and how many there were."""
    wide = 2.0 * float(np.sqrt(near.area / np.pi))
    places = near.s + wide * np.array(AWAY)
    places = np.concatenate([places, np.linspace(0.0, duct.line.length, PLACES + 2)[1:-1]])
    places = np.unique(places[(places >= 0.0) & (places <= duct.line.length)])
    least, at, count = np.inf, near.s, 0
    for s in places:
        row = duct.at(float(s))
        if row.state != "measured":
            continue
        for tilt in TILTS:
            for k in range(ROUND):
                turn = 2.0 * np.pi * k / ROUND
                side = np.cos(turn) * row.frame[0] + np.sin(turn) * row.frame[1]
                lean = np.radians(tilt)
                normal = np.cos(lean) * row.normal + np.sin(lean) * side
                if not _inside(duct, row, normal, wide):
                    continue
                found = _tilted(duct, row, row.point, normal, axis_frame(normal), inside=True)
                if found is None:
                    continue
                count += 1
                if found < least:
                    least, at = found, float(s)
    return least, at, count


def _inside(duct: Duct, row: Station, normal: FloatArray, wide: float) -> bool:
    """Whether a plane parts the line once about a place, and so the inlet from the outlet."""
    s = np.linspace(0.0, duct.line.length, 400)
    s = s[np.abs(s - row.s) <= 1.5 * wide]
    side = (duct.line.point(s) - row.point) @ normal
    changes = int((np.diff(np.sign(side[np.abs(side) > 1e-9])) != 0).sum())
    return changes == 1 and bool(side[0] < 0.0 < side[-1])
