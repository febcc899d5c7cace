"""Re-check of tools that lean: the pose told of, and that no direction has room."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, Status, confirm, left_open
from geomcheck.verify.fasten.axis import View, beside
from geomcheck.verify.fasten.bolts import Bolt, limit, met, within_sagitta, witness_on
from geomcheck.verify.fasten.swing import Swing, blades
from geomcheck.verify.fasten.toolset import Row, Tool
from geomcheck.verify.plain.simple import FloatArray, axis_frame
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: Poses on the way off that a room may be the least of.
POSES = (9, 65)
#: A direction is written to a millionth, and a part that is laid on another lies as near as it
#: was searched for: over a tool's length that is so much, mm.
POSE = 2e-3
#: Points of metal lie no farther apart than this, mm; and the least cell of directions, degrees.
SPACING, CELL = 0.7, 0.05
#: Directions looked at, at most; how far from the pivot metal is looked for, first and then, mm;
#: and the most points of it.
DIRECTIONS = 20_000
REACHES = (40.0, 80.0, np.inf)
POINTS = 200_000
#: Metal farther from a tool than this beyond the room wanted is not looked for, mm.
WITHIN = 25.0


def leaning(scene: Scene, finding: Finding, bolt: Bolt, tool: Tool) -> Iterator[Claim]:
    """The pose of a tool that leans: as in the tables, its room, and the turn of its handle."""
    told: Any = finding.details["tool"]
    quantity = finding.quantity
    pivot = bolt.point(bolt.rest + tool.pivot)
    way = np.array(told["axis"], dtype=np.float64)
    way /= np.linalg.norm(way)
    rows = _rows(tool)
    bars = [[a - tool.pivot, b - tool.pivot, *rest] for a, b, *rest in tool.bars]
    base = [[a + bolt.rest, b + bolt.rest, d] for a, b, d in tool.base]
    stays = told.get("base", {}).get("profile", [])
    same = _same(told["profile"], rows) and _same(told.get("bars", []), bars)
    same &= _same([told["at"]], [pivot.tolist()]) and (not stays or _same(stays, base))
    yield confirm(f"{tool.name} as in the tables", same, "its rows and bars about its pivot")
    angle = math.degrees(
        math.atan2(float(np.linalg.norm(np.cross(bolt.axis, way))), way @ bolt.axis)
    )
    holds = angle <= tool.tilt + 1e-3
    yield confirm("lean", holds, f"{angle:.3f} degrees, {tool.tilt:g} allowed")
    if quantity is None or quantity.name != "room":
        yield left_open("room", "no room was measured about a tool that leans")
        return
    yield from limit(finding, bolt.entry.room)
    stroke = bolt.row.head_height
    within = bolt.entry.room + float(bolt.table.get("within", WITHIN))
    reach = max((bar[4] + bar[2] for bar in tool.bars), default=0.0) + within
    about = _view(scene, finding, bolt, pivot, way, reach + stroke)
    rooms = [min(_way_off(about, rows, bolt, stroke, count), within) for count in POSES]
    rooms.append(_least(about, rows))
    if base:
        rooms.append(_base_room(scene, finding, bolt, base, stroke, within))
    passes = finding.verdict is Verdict.PASS
    holds = any(abs(room - quantity.value) <= POSE for room in rooms)
    if passes:
        holds &= min(rooms) >= bolt.entry.room - bolt.near
        holds &= quantity.low <= rooms[1] + POSE
    words = f"{min(rooms):.6f} mm against {quantity.value:.6f} mm"
    yield confirm("room over all parts, on its way off", holds, words)
    if passes:
        loose = _way_off(about, rows, bolt, stroke, POSES[0], loose=True)
        yield within_sagitta(finding, bolt, min(loose, *rooms) + POSE)
    place = met(scene, finding)
    if place is not None:
        yield witness_on(scene, finding, bolt, place, inside=False)
    if passes and tool.bars and bolt.table.get("turn", True):
        yield _turn(finding, tool, Swing(about, _bars(bolt, tool, stroke, angle), -np.inf))


def _same(told: Any, wanted: Any) -> bool:
    a, b = np.array(told, dtype=np.float64), np.array(wanted, dtype=np.float64)
    return a.shape == b.shape and bool((np.abs(a - b) <= NEAR).all())


def _rows(tool: Tool) -> list[Row]:
    return [(a - tool.pivot, b - tool.pivot, d) for a, b, d in tool.rows]


def _bars(bolt: Bolt, tool: Tool, stroke: float, angle: float) -> list[Any]:
    """What swings, with the room wanted and what the way off moves it sideways."""
    grow = bolt.entry.room + stroke * math.sin(math.radians(angle))
    return [bar.grown(grow) for bar in blades(tool, -tool.pivot, stroke)]


def _view(
    scene: Scene, finding: Finding, bolt: Bolt, pivot: FloatArray, way: FloatArray, radius: float
) -> View:
    straight = bolt.view(scene, finding, 0.0)
    return View(straight.bodies, pivot, way, radius, straight.slack)


def _least(about: View, rows: list[Row], *, loose: bool = False) -> float:
    return min(about.nearest(a, b, loose=loose)[0] - 0.5 * d for a, b, d in rows)


def _way_off(
    about: View, rows: list[Row], bolt: Bolt, stroke: float, count: int, *, loose: bool = False
) -> float:
    """Least room over poses on the way off along the bolt's axis; the metal moves instead."""
    up = about.frame @ bolt.axis
    least = np.inf
    for lift in np.linspace(0.0, stroke, count):
        least = min(least, _least(about.shifted(-lift * up), rows, loose=loose))
    return float(least)


def _base_room(
    scene: Scene, finding: Finding, bolt: Bolt, base: list[Any], stroke: float, within: float
) -> float:
    about = bolt.view(scene, finding, within + 30.0)
    swept = [(max(a, bolt.start), b + stroke, d) for a, b, d in base if b + stroke > bolt.start]
    return min((about.nearest(a + 1e-6, b)[0] - 0.5 * d for a, b, d in swept), default=np.inf)


def _turn(finding: Finding, tool: Tool, swing: Swing) -> Claim:
    told: Any = finding.details["tool"]
    rows: Any = finding.details["tools"]
    turn: Any = next(row for row in rows if row["tool"] == tool.name).get("turn")
    if turn is None:
        return confirm("swing of the handle", False, "the finding does not tell of it")
    size = float(turn.get("free", turn.get("at_least", 0.0)))
    holds = size >= tool.arc - 1e-5 and abs(float(turn["needed"]) - tool.arc) <= 1e-5
    holds &= swing.free(swing.angle(told["toward"]), size)
    return confirm("swing of the handle", holds, f"{size:.3f} of {tool.arc:g} degrees")


def no_direction(scene: Scene, finding: Finding, bolt: Bolt, tool: Tool) -> Claim:
    """That a tool has no room in any direction it may lean.

    Points of metal near the pivot stand for the metal. A point ``s`` mm from the pivot and ``t``
    off a direction is at most ``s sin(t + c)`` off any direction within ``c`` of that one: cells of
    directions are cut smaller until a point stands in the tool for all of each.
    """
    what = f"{tool.name} cannot lean"
    pivot = bolt.point(bolt.rest + tool.pivot)
    rows = _rows(tool)
    about = _view(scene, finding, bolt, pivot, bolt.axis, rows[-1][1] + 30.0)
    holder = about.holder_of(pivot)
    if holder is not None:
        return confirm(what, True, f"its pivot lies in {holder}")
    claim = left_open(what, "too much metal stands about it to look at every direction")
    for far in REACHES:
        points = _points(about, min(far, rows[-1][1]), math.radians(tool.tilt), rows)
        if len(points) >= POINTS:
            break
        claim = _search(about, bolt, tool, points)
        if claim.status is not Status.OPEN or far > rows[-1][1]:
            break
    return claim


def _search(about: View, bolt: Bolt, tool: Tool, points: FloatArray) -> Claim:
    what, rows = f"{tool.name} cannot lean", _rows(tool)
    cells = [(0.0, 0.0, math.radians(tool.tilt))]
    looked = 0
    while cells:
        u, v, half = cells.pop()
        looked += 1
        if math.hypot(max(abs(u) - half, 0.0), max(abs(v) - half, 0.0)) > math.radians(tool.tilt):
            continue
        if _met(points, rows, bolt.entry.room, _direction(u, v), half * math.sqrt(2.0)):
            continue
        lean = math.hypot(u, v) <= math.radians(tool.tilt)
        if lean and _stands(about, bolt, _direction(u, v), rows):
            angle = math.degrees(math.hypot(u, v))
            return confirm(what, False, f"it has room leaning by {angle:.2f} degrees")
        if half < math.radians(CELL) or looked > DIRECTIONS:
            return left_open(what, "directions with next to no room are not told apart")
        part = 0.5 * half
        cells += [(u + a * part, v + b * part, part) for a in (-1, 1) for b in (-1, 1)]
    return confirm(what, True, f"metal stands in it in {looked} cells of directions")


def _direction(u: float, v: float) -> FloatArray:
    """A direction of the view, by its lean along two axes, radians."""
    angle = math.hypot(u, v)
    share = math.sin(angle) / angle if angle > 0.0 else 1.0
    return np.array([u * share, v * share, math.cos(angle)])


def _met(points: FloatArray, rows: list[Row], room: float, way: FloatArray, cell: float) -> bool:
    """Whether one point stands in the tool, or too near, in all directions about one."""
    size = np.linalg.norm(points, axis=1)
    cosine = np.clip((points @ way) / np.where(size > 0.0, size, 1.0), -1.0, 1.0)
    angle = np.arccos(cosine)
    off = size * np.where(angle + cell < 0.5 * math.pi, np.sin(angle + cell), 1.0)
    least, most = size * np.cos(angle + cell), size * np.cos(np.maximum(angle - cell, 0.0))
    least = np.where(angle + cell > math.pi, -size, least)
    return any(
        bool(((least >= a) & (most <= b) & (off < 0.5 * d + room)).any()) for a, b, d in rows
    )


def _points(about: View, far: float, tilt: float, rows: list[Row]) -> FloatArray:
    """Points on metal that the tool may meet near its pivot, no farther apart than the spacing."""
    tri = np.concatenate(list(about.parts.values()))
    wide = max(0.5 * d for _, _, d in rows)
    found, count = [], 0
    while len(tri) and count <= POINTS:
        middle = tri.mean(axis=1)
        ball = np.linalg.norm(tri - middle[:, None], axis=2).max(axis=1)
        away = np.linalg.norm(middle, axis=1)
        off = np.linalg.norm(middle[:, :2], axis=1)
        # Beside the cone that the tool may sweep nothing meets it.
        beside = off * math.cos(tilt) - middle[:, 2] * math.sin(tilt) > wide + ball
        tri = tri[(away - ball <= far) & ~beside]
        sides = np.linalg.norm(np.roll(tri, -1, axis=1) - tri, axis=2)
        small = sides.max(axis=1) <= SPACING
        found.append(tri[small].mean(axis=1))
        count += len(found[-1]) + int((~small).sum() > POINTS) * POINTS
        tri, longest = tri[~small], sides[~small].argmax(axis=1)
        # Cut in two across the longest side.
        rows_of = np.arange(len(tri))
        a, b, c = (tri[rows_of, (longest + k) % 3] for k in range(3))
        ab = 0.5 * (a + b)
        tri = np.concatenate([np.stack([a, ab, c], axis=1), np.stack([ab, b, c], axis=1)])
    return np.concatenate(found) if found else np.empty((0, 3))


def _stands(about: View, bolt: Bolt, local: FloatArray, rows: list[Row]) -> bool:
    """Whether the tool has the room wanted in a direction of the view."""
    turned = np.vstack([axis_frame(local), local])
    for a, b, d in rows:
        for tri in about.parts.values():
            found = beside(tri @ turned.T, a, b)
            if len(found) and float(found.min()) - 0.5 * d < bolt.entry.room:
                return False
    return about.holder_of(about.place(*(rows[0][0] * local).tolist())) is None
