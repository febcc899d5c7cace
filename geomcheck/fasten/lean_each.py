"""Several tools that may lean on one fastener, each proof used for all it holds for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from geomcheck.fasten.access import Access
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.lean import lean_access
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.tools import Row, Tool


def lean_each(
    fastener: Fastener, tools: Sequence[Tool], obstacles: Iterable[Obstacle], **asked: Any
) -> list[Access]:
    """:func:`lean_access` for several tools.

    A tool that holds all of another one, which is proved to have no room, has none either: it is
    not searched again, and told as the other one.
    """
    parts = tuple(obstacles)
    found: list[Access] = []
    for tool in tools:
        less = next((one for one in found if _proved(one) and _holds(tool, one.tool)), None)
        if less is not None:
            found.append(replace(less, tool=tool, stands=replace(less.stands, tool=tool)))
        else:
            found.append(lean_access(fastener, tool, parts, **asked))
    return found


def _proved(one: Access) -> bool:
    """No direction has the room wanted; nothing else was asked."""
    return one.lean is not None and one.lean.decided and one.lean.none


def _holds(tool: Tool, other: Tool) -> bool:
    """Whether ``tool`` holds all of ``other``, and leans no farther."""
    same = abs(tool.pivot - other.pivot) < 1e-9 and tool.tilt <= other.tilt
    pairs = ((other.profile, tool.profile), (other.base, tool.base))
    return same and all(_covered(row, rows) for less, rows in pairs for row in less)


def _covered(row: Row, rows: Sequence[Row]) -> bool:
    """Whether rows, which follow one another, hold a row."""
    reached = row[0]
    for begin, end, diameter in rows:
        if diameter >= row[2] and begin <= reached + 1e-9 < end:
            reached = end
    return reached >= row[1] - 1e-9
