"""Room round something straight: cylinders about or beside an axis, against all triangles.

Coordinates are u and v square to the axis and the height along it, mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.standards import hands
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.fasten.axis import beside, over
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR, on_part

#: Points are written to a millionth; a witness at the end of a cylinder may stand so far past it.
LEVEL = 1e-5
#: A way out for a hand or a finger is free so far, mm.
ARM = 700.0
#: A way out is told by a direction of six figures: at its end that is so much, mm.
AIM = 2e-3


@dataclass(frozen=True, slots=True)
class Column:
    """A cylinder along the axis: its centre across it, from, to and radius, mm."""

    u: float
    v: float
    low: float
    high: float
    radius: float


class About:
    """Some parts of a vehicle in the coordinates of an axis.

    Parameters
    ----------
    scene : Scene
    vehicle : str
    names : iterable of str
        Parts that are looked at.
    frame : (4, 3) float
        Origin, u, v and the axis.
    reach : float
        Triangles whose box about the axis is farther off than this are left out, mm.
    without : mapping of names to callable, optional
        What of a part's triangles is left out, in these coordinates: (m,) bool.
    """

    def __init__(
        self,
        scene: Scene,
        vehicle: str,
        names: Iterable[str],
        frame: FloatArray,
        reach: float,
        without: Mapping[str, Any] | None = None,
    ) -> None:
        self.scene, self.vehicle, self.frame = scene, vehicle, frame
        self.names = list(names)
        self.parts: dict[str, FloatArray] = {}
        for name in self.names:
            body = scene.body(vehicle, name)
            rows, _ = body.near_line(frame[0], frame[1:], reach)
            local = (body.triangles[rows] - frame[0]) @ frame[1:].T
            if without and name in without:
                local = local[~without[name](local)]
            self.parts[name] = local

    def least(
        self, columns: Sequence[Column], beyond: float, names: Iterable[str] | None = None
    ) -> tuple[float, str]:
        """Least room round the columns and whose metal it is; ``beyond`` where none is nearer."""
        best, whose = beyond, ""
        for name in self.names if names is None else names:
            for one in columns:
                tri = self.parts[name]
                reach = one.radius + best
                low, high = tri.min(axis=1), tri.max(axis=1)
                centre = np.array([one.u, one.v])
                near = (low[:, 2] <= one.high) & (high[:, 2] >= one.low)
                near &= ((low[:, :2] <= centre + reach) & (high[:, :2] >= centre - reach)).all(
                    axis=1
                )
                if not near.any():
                    continue
                found = beside(tri[near] - np.array([one.u, one.v, 0.0]), one.low, one.high)
                if float(found.min()) - one.radius < best:
                    best, whose = float(found.min()) - one.radius, name
        return best, whose

    def lowest(
        self,
        columns: Sequence[Column],
        names: Iterable[str] | None = None,
    ) -> float:
        """Least height of metal within the columns, at or above where they begin; inf if none."""
        best = np.inf
        for name in self.names if names is None else names:
            for one in columns:
                tri = self.parts[name]
                near = (tri[:, :, 2].max(axis=1) >= one.low) & (tri[:, :, 2].min(axis=1) < best)
                shifted = tri[near] - np.array([one.u, one.v, 0.0])
                best = min(best, over(shifted, one.radius, one.low)) if len(shifted) else best
        return best

    def local(self, point: Any) -> FloatArray:
        """A point of the housing frame in these coordinates."""
        found: FloatArray = (np.asarray(point) - self.frame[0]) @ self.frame[1:].T
        return found

    def world(self, u: float, v: float, height: float) -> FloatArray:
        """A point of these coordinates in the housing frame."""
        found: FloatArray = self.frame[0] + np.array([u, v, height]) @ self.frame[1:]
        return found

    def room_at(self, point: Any, columns: Sequence[Column]) -> float:
        """Room that one point leaves; inf where it is beside none of the columns."""
        u, v, height = self.local(point)
        beside_it = [one for one in columns if one.low - LEVEL <= height <= one.high + LEVEL]
        return min(
            (float(np.hypot(u - one.u, v - one.v)) - one.radius for one in beside_it),
            default=np.inf,
        )

    def holder(self, point: FloatArray, names: Iterable[str] | None = None) -> str | None:
        """The closed part in whose material a point lies."""
        for name in self.names if names is None else names:
            body = self.scene.body(self.vehicle, name)
            low, high = body.triangles.min(axis=(0, 1)), body.triangles.max(axis=(0, 1))
            inside = bool((point >= low).all() and (point <= high).all())
            if inside and body.closed and body.holds(point):
                return name
        return None


def frame_of(at: Any, axis: Any, up: Any = None) -> FloatArray:
    """(4, 3) origin, u, v and axis; with ``up`` v is as near to it as can be.

    Without, v is square to the axis and to the housing's axis that it has least of.
    """
    w = np.array(axis, dtype=np.float64)
    w /= np.linalg.norm(w)
    if up is None:
        v = np.cross(w, np.eye(3)[int(np.argmin(np.abs(w)))])
    else:
        v = np.array(up) - (np.array(up) @ w) * w
    v /= np.linalg.norm(v)
    return np.stack([np.array(at, dtype=np.float64), np.cross(v, w), v, w])


def told_room(
    scene: Scene,
    finding: Finding,
    about: About,
    what: str,
    row: Mapping[str, Any],
    columns: Sequence[Column],
    names: Sequence[str],
    feet: Sequence[FloatArray] = (),
) -> Iterator[Claim]:
    """The room that a row of a finding tells round some columns: its place, and that none is less.

    Parameters
    ----------
    scene, finding, about
    what : str
        Such as ``body``.
    row : mapping
        ``room``, ``at_least``, ``nearest``, ``point``, ``inside``.
    columns : sequence of Column
    names : sequence of str
        Parts that count.
    feet : sequence of (3,) float
        Points of the columns that no part's material may hold.
    """
    room = float(row["room"])
    if row.get("inside"):
        point = np.array(row["point"], dtype=np.float64)
        held = about.holder(point, [row["nearest"]]) if row["nearest"] in names else None
        there = about.room_at(point, columns) <= LEVEL and room <= 0.0
        yield confirm(f"{what} inside {row['nearest']}", held is not None and there, _at(point))
        return
    if not row["at_least"]:
        witness = Witness(what, str(row["nearest"]), tuple(row["point"]))
        yield on_part(witness, scene.triangles(finding.vehicle, witness.part))
        found = about.room_at(witness.point, columns)
        holds = witness.part in names and abs(found - room) <= NEAR
        yield confirm(
            f"room at the witness, {what}", holds, f"{found:.6f} mm against {room:.6f} mm"
        )
    least, whose = about.least(columns, room + 1.0, names)
    words = f"{least:.6f} mm at {whose}" if whose else f"none within {room:.6f} mm"
    yield confirm(f"nothing nearer, {what}", least >= room - NEAR, words)
    if feet:
        inside = next((held for foot in feet if (held := about.holder(foot, names))), None)
        words = f"inside {inside}" if inside else "of no closed part"
        yield confirm(f"not in material, {what}", inside is None, words)


def limit(finding: Finding, wanted: float) -> Iterator[Claim]:
    """The requirement, where there is one, is what the project file asks."""
    need = finding.requirement
    if need is not None and need.unit == "mm":
        holds = abs(need.limit - wanted) <= 2e-6
        yield confirm("limit", holds, f"{need.limit:g} mm; asked is {wanted:g} mm")


def chord(scene: Scene, finding: Finding, what: str, row: Mapping[str, Any]) -> Iterator[Claim]:
    """That the interval of a row holds the chord error declared for the nearest part."""
    low, room, high = (float(row[key]) for key in ("low", "room", "high"))
    name = row["nearest"]
    if name is None or row.get("inside"):
        holds = low <= room + 3e-6 and room <= high + 3e-6
        yield confirm(f"interval, {what}", holds, f"{low:.6f} .. {high:.6f} mm")
        return
    declared = scene.entry(finding.vehicle, name)[0].sagitta or 0.0
    holds = low <= room - declared + NEAR and room <= high + 3e-6
    words = f"{low:.6f} .. {high:.6f} mm, sagitta declared {declared:g} mm"
    yield confirm(f"interval, {what}", holds, words)


def verdict_of(rows: Iterable[Mapping[str, Any]], limit: float) -> Verdict:
    """The worst of the verdicts that rows with ``low`` and ``high`` come to."""
    worst = Verdict.PASS
    for row in rows:
        if float(row["low"]) >= limit - 1e-6:
            continue
        if float(row["high"]) < limit - 1e-6:
            return Verdict.FAIL
        worst = Verdict.UNDECIDED
    return worst


def way_out(
    scene: Scene, vehicle: str, names: Sequence[str], place: Any, axis: Any, told: Any
) -> Claim:
    """That the way out told for a hand or a finger is free of all triangles.

    Parameters
    ----------
    scene : Scene
    vehicle : str
    names : sequence of str
        Parts that count.
    place, axis : (3,) float
        Where it begins: there, or a little up the axis.
    told : mapping
        ``comes``, ``direction``.
    """
    hand = hands()[0]
    columns = [Column(0.0, 0.0, 0.0, ARM, hand.finger / 2.0)]
    if told["comes"] == "hand":
        columns = [
            Column(0.0, 0.0, 0.0, hand.finger_reach, hand.finger),
            Column(0.0, 0.0, hand.finger_reach, ARM, hand.width / 2.0),
        ]
    up = np.array(axis, dtype=np.float64)
    widest = max(one.radius for one in columns) + 1.0
    best, words = -np.inf, "it begins in material"
    for rise in (0.0, columns[0].radius + 0.5):
        start = np.array(place, dtype=np.float64) + rise * up
        about = About(scene, vehicle, names, frame_of(start, told["direction"]), widest)
        if about.holder(start, names) is not None:
            continue
        room, whose = about.least(columns, 1.0, names)
        if room > best:
            best, words = room, f"{room:.4f} mm to {whose}" if whose else "nothing near"
        if rise > 0.0 and room >= -AIM:
            # The way up the axis must be free as well.
            line = About(scene, vehicle, names, frame_of(place, axis), 1.0)
            between, whose = line.least([Column(0.0, 0.0, 0.0, rise, 0.0)], 1.0, names)
            if between <= 0.0:
                best, words = between, f"{whose} stands before it"
        if best >= -AIM:
            break
    return confirm(f"way in for a {told['comes']}", best >= -AIM, words)


def _at(point: FloatArray) -> str:
    x, y, z = point
    return f"at ({x:.2f}, {y:.2f}, {z:.2f})"
