"""Re-check of tool access: cylinders and bars of the tools' own tables against all triangles."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.fasten.bolts import (
    Bolt,
    limit,
    met,
    seated,
    within_sagitta,
    witness_on,
)
from geomcheck.verify.fasten.lean import leaning, no_direction
from geomcheck.verify.fasten.standing import Asked, hand_room
from geomcheck.verify.fasten.toolset import Row, Tool, tools_for
from geomcheck.verify.fasten.way import way_in
from geomcheck.verify.plain.simple import distance_to
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: Metal farther from a tool than this beyond the room wanted is not looked for, mm.
WITHIN = 25.0
#: Arcs are compared to this, degrees.
ARC = 0.06


def reach(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Tool access: the seat, the tool told of as it stands and turns, and every other tool."""
    bolt = Bolt.of(scene, finding)
    yield from seated(scene, finding, bolt)
    told: Any = finding.details.get("tool")
    if told is None:
        # It says no more than that there is no seat.
        seat: Any = finding.details.get("seat") or {}
        wrong = finding.verdict is not Verdict.PASS and seat.get("state") != "seated"
        yield confirm("no seat", wrong, f"{finding.verdict}, {seat.get('state')}")
        return
    tools = tools_for(scene.project, bolt.entry, bolt.table)
    yield from _named(finding, tools)
    if told["name"] not in {row["tool"] for row in _told_rows(finding)} & set(tools):
        return
    asked = _asked(scene, finding, bolt, tools)
    tool = tools[told["name"]]
    rooms = _rooms(asked, tools)
    if finding.quantity is not None and finding.quantity.name == "room for a hand":
        yield from hand_room(asked)
        return
    if tool.tilt > 0.0:
        yield from leaning(scene, finding, bolt, tool)
    else:
        yield from _rigid(asked, tool, rooms[tool.name])
    yield from _rows_told(asked, tools, rooms)
    if finding.verdict is Verdict.FAIL:
        yield from _no_other(asked, tools, rooms)
    if finding.verdict is Verdict.PASS or "way_in" in finding.details:
        yield from way_in(scene, finding, bolt, _held(asked, tool))


def _asked(scene: Scene, finding: Finding, bolt: Bolt, tools: dict[str, Tool]) -> Asked:
    within = bolt.entry.room + float(bolt.table.get("within", WITHIN))
    wide = [0.5 * d for tool in tools.values() for _, _, d in (*tool.rows, *tool.base)]
    wide += [bar[4] + bar[2] + tool.aside for tool in tools.values() for bar in tool.bars]
    about = bolt.view(scene, finding, max(wide) + within + 5.0)
    return Asked(scene, finding, bolt, about, within)


def _named(finding: Finding, tools: dict[str, Tool]) -> Iterator[Claim]:
    """That the finding tells of the tools that may be used, and of no others."""
    rows: Any = finding.details["tools"]
    told = [row["tool"] for row in rows]
    strange = sorted(set(told) ^ set(tools))
    words = f"{len(tools)}" if not strange else f"not in both: {', '.join(strange[:4])}"
    yield confirm("tools that may be used", not strange and len(told) == len(tools), words)


def _rooms(asked: Asked, tools: dict[str, Tool]) -> dict[str, float]:
    """Room of each rigid tool, and of the upright part of one that leans."""
    known: dict[tuple[Row, ...], float] = {}
    found = {}
    for name, tool in tools.items():
        rows = asked.standing(tool)
        if tool.tilt > 0.0:
            rows = asked.rows(tool.base, asked.bolt.rest, asked.bolt.row.head_height)
        key = tuple(rows)
        if key not in known:
            known[key] = asked.stands(rows) if rows else np.inf
        found[name] = known[key]
    return found


def _rigid(asked: Asked, tool: Tool, room: float) -> Iterator[Claim]:
    """The tool told of, on the bolt's axis."""
    finding, quantity, bolt = asked.finding, asked.finding.quantity, asked.bolt
    told: Any = finding.details["tool"]
    foot = bolt.rest
    want = [[a + foot, b + foot, d] for a, b, d in tool.rows]
    bars = [[a + foot, b + foot, *rest] for a, b, *rest in tool.bars]
    same = _same(told["profile"], want) and _same(told.get("bars", []), bars)
    same &= _same([told["axis"]], [bolt.axis.tolist()]) and _same([told["at"]], [bolt.at.tolist()])
    same &= not told.get("base")
    yield confirm(f"{tool.name} as in the tables", same, "its rows and bars, on the bolt's axis")
    if quantity is None:
        wide = min(room, asked.within)
        holds = finding.verdict is not Verdict.PASS or wide >= asked.within - NEAR
        yield confirm("nothing near the standing tool", holds, f"{room:.3f} mm over all parts")
    elif quantity.name == "room":
        yield from limit(finding, asked.room)
        words = f"{room:.6f} mm against {quantity.value:.6f} mm"
        value = min(room, asked.within)
        yield confirm("room over all parts", abs(value - quantity.value) <= bolt.near, words)
        least = min(asked.stands(asked.standing(tool), loose=True), room)
        yield within_sagitta(finding, bolt, min(least, asked.within))
        yield from _witness(asked, tool)
    if tool.bars and bolt.table.get("turn", True) and room >= asked.room:
        yield from _turns(asked, tool)


def _same(told: Any, wanted: Any) -> bool:
    a, b = np.array(told, dtype=np.float64), np.array(wanted, dtype=np.float64)
    return a.shape == b.shape and bool((np.abs(a - b) <= NEAR).all())


def _witness(asked: Asked, tool: Tool) -> Iterator[Claim]:
    """The place that is nearest: on its part, and as near to the tool as is said."""
    finding, quantity = asked.finding, asked.finding.quantity
    assert quantity is not None
    place = met(asked.scene, finding)
    if place is None:
        yield confirm("nearest metal", quantity.value >= asked.within - NEAR, "no place is shown")
        return
    inside = any(row["tool"] == tool.name and row["inside"] for row in _told_rows(finding))
    yield witness_on(asked.scene, finding, asked.bolt, place, inside=inside)
    height, off = asked.bolt.off(place.point)
    widest = max(
        (d for a, b, d in asked.standing(tool) if a - 1e-4 <= height <= b + 1e-4), default=None
    )
    if widest is None:
        yield confirm("room at the witness", False, f"no row of the tool at {height:.3f} mm")
        return
    room = off - 0.5 * widest
    words = f"{room:.6f} mm against {quantity.value:.6f} mm"
    yield confirm("room at the witness", abs(room - quantity.value) <= asked.bolt.near, words)


def _told_rows(finding: Finding) -> list[dict[str, Any]]:
    rows: Any = finding.details["tools"]
    return [row for row in rows if row["verdict"] != "not asked"]


def _turns(asked: Asked, tool: Tool) -> Iterator[Claim]:
    """The free arc of the handle of the tool told of, its ends, and what is needed of it."""
    finding, quantity = asked.finding, asked.finding.quantity
    row = next(row for row in _told_rows(finding) if row["tool"] == tool.name)
    turn: Any = row.get("turn")
    if turn is None:
        yield confirm("swing of the handle", False, "the finding does not tell of it")
        return
    swing = asked.swing(tool)
    yield confirm("turn needed", abs(turn["needed"] - tool.arc) <= 1e-5, f"{tool.arc:g} degrees")
    size = float(turn.get("free", turn.get("at_least", 0.0)))
    told: Any = finding.details["tool"]
    middle = swing.angle(told["toward"])
    if size > 0.0:
        words = f"{size:.3f} degrees about the way it is drawn"
        yield confirm("free arc", swing.free(middle, size), words)
    if "free" in turn and 0.0 < size < 359.9:
        ends = [swing.stopped(middle + side * (0.5 * size + ARC)) for side in (-1.0, 1.0)]
        yield confirm("ends of the arc", all(ends), "metal stands just beyond both")
    if quantity is None or quantity.unit != "deg":
        enough = finding.verdict is not Verdict.PASS or size >= tool.arc - 1e-5
        yield confirm("swing of the handle", enough, f"{size:.3f} of {tool.arc:g} degrees")
        return
    yield from limit(finding, tool.arc, "deg")
    for end in turn["ends"]:
        body = asked.scene.triangles(finding.vehicle, end["part"])
        yield _on(end, body, asked.bolt.near)
    largest = swing.largest(tool.arc)
    words = f"{largest:.2f} degrees at most against {quantity.value:.3f}"
    near = quantity.value <= largest + ARC
    near &= largest - quantity.value <= ARC if largest >= 0.8 * tool.arc else True
    yield confirm("largest arc", near, words)


def _on(end: dict[str, Any], mesh: Any, near: float) -> Claim:
    off = distance_to(np.array(end["point"], dtype=np.float64), mesh)
    return confirm(f"end of the arc on {end['part']}", off <= near, f"{off:.6f} mm off it")


def _rows_told(asked: Asked, tools: dict[str, Tool], rooms: dict[str, float]) -> Iterator[Claim]:
    """Each tool's own row: its room, and whether it serves."""
    wrong = []
    for row in _told_rows(asked.finding):
        tool = tools.get(row["tool"])
        if tool is None or tool.tilt > 0.0:
            continue
        room = min(rooms[tool.name], asked.within)
        if abs(room - float(row["room"])) > asked.bolt.near:
            wrong.append(f"{tool.name}: {room:.6f} mm against {float(row['room']):.6f} mm")
        elif row["verdict"] == "pass" and room < asked.room - asked.bolt.near:
            wrong.append(f"{tool.name} has no more than {room:.6f} mm")
    words = "; ".join(wrong[:3]) or "of every rigid tool"
    yield confirm("room of the other tools", not wrong, words)


def _no_other(asked: Asked, tools: dict[str, Tool], rooms: dict[str, float]) -> Iterator[Claim]:
    """That no tool that may be used serves."""
    turn = asked.bolt.table.get("turn", True)
    for name, tool in tools.items():
        if rooms[name] < asked.room:
            continue
        if tool.tilt > 0.0:
            yield no_direction(asked.scene, asked.finding, asked.bolt, tool)
        elif tool.bars and turn:
            turns = asked.swing(tool).turns(tool.arc)
            yield confirm(f"{name} cannot turn", not turns, f"{tool.arc:g} degrees are needed")
        else:
            yield confirm(f"{name} cannot stand", False, f"{rooms[name]:.3f} mm of room")
    blocked = sum(room < asked.room for room in rooms.values())
    yield confirm("no other tool", True, f"{blocked} of {len(tools)} are met where they stand")


def _held(asked: Asked, tool: Tool) -> list[tuple[Any, Any]]:
    """Places a hand may hold the tool told of, each with its way on: the top, the handle's end."""
    told: Any = asked.finding.details["tool"]
    at, up = np.array(told["at"]), np.array(told["axis"])
    heights = [row[1] for row in told["profile"]] + [bar[1] for bar in told.get("bars", [])]
    places = [(at + (max(heights) + 1.0) * up, up)]
    row = next(row for row in _told_rows(asked.finding) if row["tool"] == tool.name)
    turn: Any = row.get("turn")
    if turn is None or not told.get("bars"):
        return places
    low, high, _, _, outer = max(told["bars"], key=lambda bar: bar[4])
    toward = np.array(told["toward"])
    half = np.radians(0.5 * float(turn.get("free", turn.get("at_least", 0.0))))
    aside = np.cross(up, toward)
    for angle in (0.0, -half, half):
        way = np.cos(angle) * toward + np.sin(angle) * aside
        places.append((at + 0.5 * (low + high) * up + (outer + 1.0) * way, way))
    return places
