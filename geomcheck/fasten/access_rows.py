"""What is told of each tool in a finding's details, as JSON types."""

from __future__ import annotations

from typing import Any

from geomcheck.fasten.access import SHOWN, Access
from geomcheck.fasten.access_words import what_stopped
from geomcheck.fasten.reach import Reach
from geomcheck.fasten.tools import Tool
from geomcheck.finding import Verdict


def tool_row(access: Access, verdict: Verdict) -> dict[str, Any]:
    """One tool: room, free arc, lean, and what stopped it."""
    row = {
        "tool": access.tool.name,
        "verdict": verdict.value,
        **room_row(access.stands),
        "stopped": what_stopped(access, verdict),
    }
    turns, lean = access.turns, access.lean
    if turns is not None:
        row |= {"swing": turns.free, "swing_needed": turns.needed}
        free = {"free": turns.free, "low": turns.low, "high": turns.high}
        row["turn"] = {
            "needed": turns.needed,
            **(free if turns.full else {"at_least": turns.low}),
            "ends": [{"part": part, "point": list(point)} for part, point in turns.ends],
        }
    if lean is not None:
        row["lean_angle"] = lean.angle
        row["lean"] = {
            "angle": lean.angle,
            "limit": lean.limit,
            "direction": list(lean.direction),
            "decided": lean.decided,
        }
    return row


def room_row(stands: Reach) -> dict[str, Any]:
    """Room where a tool stands."""
    return {
        "room": stands.room,
        "low": stands.low,
        "high": stands.high,
        "at_least": stands.clear,
        "nearest": stands.blocker,
        "triangle": stands.triangle,
        "point": list(stands.point) if stands.point is not None else None,
        "height": stands.height,
        "inside": stands.inside,
    }


def skipped_row(tool: Tool) -> dict[str, Any]:
    """A tool that leans, where a rigid one serves."""
    return {"tool": tool.name, "verdict": "not asked", "stopped": "a rigid tool serves"}


def drawn_tool(access: Access) -> dict[str, Any]:
    """The tool in its pose, for the picture: what ``at`` and ``axis`` tell, rows, bars and arc."""
    shown: dict[str, Any] = {
        "name": access.tool.name,
        "at": list(access.at),
        "axis": [float(x) for x in access.frame[3]],
        "profile": [list(row) for row in access.profile],
    }
    if access.base:
        shown["base"] = {
            "at": list(access.fastener.at),
            "axis": list(access.fastener.axis),
            "profile": [list(row) for row in access.base],
        }
    if access.bars:
        shown["bars"] = [list(row) for row in access.bars]
        turns = access.turns
        middle = turns.middle if turns is not None else 0.0
        shown["toward"] = list(access.toward(middle))
        if turns is not None and turns.free > 0.0:
            half = 0.5 * min(turns.free, max(turns.needed, SHOWN))
            shown["arc"] = [-half, half]
    return shown
