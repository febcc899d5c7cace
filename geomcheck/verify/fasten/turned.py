"""Re-check of service points that a tool turns: before and after, tool by tool."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.connectors import ServiceEntry
from geomcheck.standards import Screw, screw
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.handling import Bolt
from geomcheck.verify.fasten.room import chord, frame_of
from geomcheck.verify.fasten.toolset import Tool, tools_on
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: Metal beyond this is not looked for, mm; a hexagon is so high over its across flats.
WITHIN, HEIGHT = 25.0, 0.5


class Point(Bolt):
    """What is turned at a service point, in its place.

    Parameters
    ----------
    scene : Scene
    vehicle : str
    entry : ServiceEntry
    start : float
        mm above the place where looking begins.
    """

    def __init__(self, scene: Scene, vehicle: str, entry: ServiceEntry, start: float) -> None:
        self.scene, self.vehicle = scene, vehicle
        self.part, self.room, self.start = entry.part, entry.room, start + 1e-6
        self.row = _head(entry)
        axis = np.array(entry.axis, dtype=np.float64)
        self.axis = axis / np.linalg.norm(axis)
        self.foot = np.array(entry.at, dtype=np.float64)
        self.frame = frame_of(self.foot, self.axis)

    @property
    def rest(self) -> float:
        """Where a tool rests above the place, mm."""
        return self.row.flange_edge or 0.0 if self.row.drive == "hexagon" else self.row.head_height


def _head(entry: ServiceEntry) -> Screw:
    if entry.head is not None and entry.size is not None:
        return screw(entry.head, entry.size)
    across, drive = entry.across_flats or 1.0, entry.drive or "hexagon"
    wide = across * (2.0 / math.sqrt(3.0) if drive == "hexagon" else 2.0)
    high = HEIGHT * across if entry.height is None else entry.height
    return Screw(
        "", "", across, drive, across, None, wide, high, None, None, None, "", "project file"
    )


def turned(
    scene: Scene,
    finding: Finding,
    entry: ServiceEntry,
    names: tuple[list[str], list[str]],
    table: Mapping[str, Any],
) -> Iterator[Claim]:
    """Room of each rigid tool before and after, and that the state follows from them.

    Parameters
    ----------
    scene, finding, entry
    names : pair of list of str
        The vehicle's parts, and those with the housing and what it carries.
    table : mapping
        The check's table in the project file.
    """
    point = Point(scene, finding.vehicle, entry, float(finding.details["start"]))
    tools = tools_on(scene.project, point.row, entry.tools, {})
    rows: Any = finding.details["served"]
    told = {row["name"]: row for row in rows}
    rigid = {name: tool for name, tool in tools.items() if tool.tilt == 0.0}
    strange = sorted((set(told) - set(tools)) | (set(rigid) - set(told)))
    words = f"{len(told)} of {len(tools)}" if not strange else ", ".join(strange[:4])
    yield confirm("tools that may be used", not strange and len(told) == len(rows), words)
    if strange:
        return
    within = entry.room + float(table.get("within", WITHIN))
    turn = bool(table.get("turn", True))
    for name, tool in rigid.items():
        for when, parts in zip(("before", "after"), names, strict=True):
            yield from _told(scene, finding, point, tool, told[name][when], parts, within)
    yield from _state(finding, rows)
    state = finding.details["state"]
    drawn: Any = finding.details["tool"]
    best = rigid.get(drawn["name"])
    if state == "kept":
        if best is None:
            yield left_open("a tool that serves", "it leans; that is not tried again")
        else:
            yield _serves(point, best, names[1], entry, turn)
    elif state in ("lost", "never"):
        sides = names[1] if state == "lost" else names[0]
        for name in told:
            yield _shut(point, tools[name], sides, turn)
        if state == "lost" and best is not None:
            yield _serves(point, best, names[0], entry, turn)
    if finding.verdict is Verdict.UNDECIDED:
        yield left_open("undecided", "chord errors or a way in for a hand; not tried again")


def _told(
    scene: Scene,
    finding: Finding,
    point: Point,
    tool: Tool,
    row: Mapping[str, Any],
    parts: Sequence[str],
    within: float,
) -> Iterator[Claim]:
    """The room told of a standing tool, over all triangles."""
    yield from chord(scene, finding, tool.name, row)
    room = min(point.stands(tool, parts, within) + point.room, within)
    value = float(row["room"])
    words = f"{room:.6f} mm against {value:.6f} mm"
    same = abs(room - value) <= NEAR or (bool(row["inside"]) and room < 0.0)
    yield confirm(f"room of {tool.name}", same, words)
    if row["nearest"] is not None:
        there = row["nearest"] in parts
        yield confirm(f"nearest to {tool.name}", there, f"{row['nearest']} is looked at")


def _state(finding: Finding, rows: Sequence[Mapping[str, Any]]) -> Iterator[Claim]:
    """That what became of the point follows from its tools, and the verdict from that."""
    rank = ("no", "undecided", "yes")
    was, now = (max((row[key] for row in rows), key=rank.index) for key in ("was", "now"))
    state = "undecided"
    if now == "yes":
        state = "kept"
    elif was == "no":
        state = "never"
    elif (was, now) == ("yes", "no"):
        state = "lost"
    same = finding.details["state"] == state
    yield confirm("what became of it", same, f"{state}: {was} before, {now} now")
    verdict = {"kept": "pass", "lost": "fail", "never": "not applicable"}.get(state, "undecided")
    unsure = finding.verdict is Verdict.UNDECIDED and verdict == "pass"
    holds = str(finding.verdict) == verdict or unsure
    yield confirm("verdict from the tools", holds, f"{verdict}, told is {finding.verdict}")


def _serves(
    point: Point, tool: Tool, parts: Sequence[str], entry: ServiceEntry, turn: bool
) -> Claim:
    """That a tool stands with the room wanted, and turns."""
    what = f"{tool.name} serves"
    left = point.stands(tool, parts)
    if left < -NEAR:
        return confirm(what, False, f"{-left:.3f} mm are missing where it stands")
    if not turn or point.turns(tool, parts):
        return confirm(what, True, f"{left + entry.room:.3f} mm of room or more, and it turns")
    if point.no_turn(tool, parts):
        return confirm(what, False, f"it has nowhere {tool.arc:g} degrees")
    return left_open(what, "no arc that was tried is free")


def _shut(point: Point, tool: Tool, parts: Sequence[str], turn: bool) -> Claim:
    """That a tool does not serve."""
    what = f"{tool.name} does not serve"
    if tool.tilt > 0.0:
        return left_open(what, "it leans; that is not tried again")
    left = point.stands(tool, parts)
    if left < 0.0:
        return confirm(what, True, f"{-left:.3f} mm are missing where it stands")
    if turn and point.no_turn(tool, parts):
        return confirm(what, True, f"it has nowhere {tool.arc:g} degrees")
    if not turn or point.turns(tool, parts):
        return confirm(what, False, "it stands and turns")
    return left_open(what, "no arc that was tried is free; that none is, is not shown")
