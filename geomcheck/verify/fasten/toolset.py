"""The tools that may be used on a bolt, made anew from the tables and the project file."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, TypeAlias

from geomcheck import standards
from geomcheck.project.entries import MILLIMETRES, FastenerEntry, ToolEntry
from geomcheck.project.load import Project
from geomcheck.standards import Ratchet, Screw

#: From, to, diameter; and from, to, width, inner and outer radius: mm up from where it rests.
Row: TypeAlias = tuple[float, float, float]
Bar: TypeAlias = tuple[float, float, float, float, float]

#: Sizes across flats that differ by less are one, mm.
SAME = 0.02
#: An open spanner grips this share of the head, the upper one.
GRIP = 0.6
#: A raised handle is cut into so many steps.
STEPS = 4


@dataclass(frozen=True)
class Tool:
    """A tool as rows about its axis and bars square to it; see the project file's ``[[tool]]``."""

    name: str
    family: str
    rows: tuple[Row, ...]
    bars: tuple[Bar, ...] = ()
    arc: float = 0.0
    base: tuple[Row, ...] = ()
    tilt: float = 0.0
    pivot: float = 0.0
    aside: float = 0.0


def tools_for(project: Project, entry: FastenerEntry, table: Mapping[str, Any]) -> dict[str, Tool]:
    """The tools an entry allows, with the lean and turn of the check's table, by name."""
    return tools_on(project, standards.screw(entry.head, entry.size), entry.tools, table)


def tools_on(
    project: Project, row: Screw, names: Sequence[str], table: Mapping[str, Any]
) -> dict[str, Tool]:
    """The tools for a head, all of them or those named, as :func:`tools_for`."""
    own = [_own(one) for one in project.document.tools if _drives(one, row)]
    found = {tool.name: tool for tool in own}
    for tool in _hexagon(row) if row.drive == "hexagon" else _socket_head(row):
        found.setdefault(tool.name, tool)
    lean, arc = table.get("lean", {}), table.get("arc", {})
    allowed = {}
    for name, tool in found.items():
        if names and not {name, tool.family} & set(names):
            continue
        if table.get("torque") and tool.family != "torque wrench":
            continue
        tilt = float(lean.get(tool.family, tool.tilt)) if tool.tilt > 0.0 else 0.0
        turn = float(arc.get(tool.family, tool.arc)) if tool.bars else 0.0
        allowed[name] = replace(tool, tilt=tilt, arc=turn)
    return allowed


def _drives(entry: ToolEntry, row: Screw) -> bool:
    across = entry.across_flats * MILLIMETRES[entry.unit]
    return entry.drive == row.drive and abs(across - row.across_flats) <= SAME


def _own(entry: ToolEntry) -> Tool:
    mm = MILLIMETRES[entry.unit]
    bars = tuple((a * mm, b * mm, w * mm, i * mm, o * mm) for a, b, w, i, o in entry.handle)
    return Tool(
        entry.name,
        entry.kind,
        tuple((a * mm, b * mm, d * mm) for a, b, d in entry.profile),
        bars,
        entry.arc if bars else 0.0,
        tuple((a * mm, b * mm, d * mm) for a, b, d in entry.base),
        entry.tilt,
        entry.pivot * mm,
        entry.aside * mm,
    )


def _fits(across: float, row: Screw) -> bool:
    return abs(across - row.across_flats) <= SAME


def _size(across: float) -> str:
    inches = across * 64.0 / 25.4
    if abs(inches - round(inches)) < 1e-3 and abs(across * 10 - round(across * 10)) > 1e-6:
        return str(Fraction(round(inches), 64))
    return f"{across:g}"


def _of(rows: Any, drive: str) -> Any:
    return next(row for row in rows if row.drive == drive)


def _socket_head(row: Screw) -> Iterator[Tool]:
    hidden = row.socket_depth or 0.0
    tilts = {one.size: one.tilt for one in standards.ball_ends()}
    for key in standards.hex_keys():
        if not _fits(key.across_flats, row):
            continue
        thick = key.across_corners
        for name, arm in ((key.size, key.arm), (f"{key.size} long", key.long_arm)):
            tall, low = arm - hidden, key.short_arm - hidden
            upright = ((0.0, tall, thick),), ((tall - thick, tall, thick, 0.0, key.short_arm),)
            yield Tool(f"hex key {name}", "hex key", *upright, arc=60.0)
            yield Tool(
                f"hex key {name}, short arm in the head",
                "hex key",
                ((0.0, low, thick),),
                ((low - thick, low, thick, 0.0, arm),),
                arc=60.0,
            )
            if key.size in tilts:
                ball = -max(hidden - 0.5 * thick, 0.0)
                leans = tilts[key.size]
                known = f"ball-end key {name}"
                yield Tool(known, "ball-end key", *upright, 60.0, tilt=leans, pivot=ball)
    for bit in standards.bit_sockets():
        if _fits(bit.across_flats, row):
            bare = max(bit.blade_length - row.head_height, 0.0)
            corners = 2.0 * bit.across_flats / math.sqrt(3.0)
            rows: tuple[Row, ...] = ((bare, bare + bit.body_length, bit.body_diameter),)
            if bare > 0.0:
                rows = ((0.0, bare, corners), *rows)
            name = f"bit socket {_size(bit.across_flats)}, {bit.drive} drive"
            yield from _on_drive(name, "bit socket", rows, bit.drive)


def _hexagon(row: Screw) -> Iterator[Tool]:
    for one in standards.sockets():
        if _fits(one.across_flats, row):
            name = f"socket {_size(one.across_flats)}, {one.drive} drive"
            plain: tuple[Row, ...] = ((0.0, one.length, one.diameter),)
            yield from _on_drive(name, "socket", plain, one.drive)
            tall = _of(standards.deep_sockets(), one.drive).length
            ratchet = _of(standards.ratchets(), one.drive)
            deep: tuple[Row, ...] = ((0.0, tall, one.diameter),)
            yield _handled(f"deep {name}", "deep socket", deep, ratchet)
    for spanner in standards.spanners():
        if _fits(spanner.across_flats, row):
            yield _spanner(spanner, row)


def _handled(name: str, family: str, rows: tuple[Row, ...], ratchet: Ratchet, **more: Any) -> Tool:
    """Rows with a ratchet's head on top of them and its handle in the middle of that."""
    top = rows[-1][1]
    low = top + 0.5 * (ratchet.head_height - ratchet.handle_height)
    head = (top, top + ratchet.head_height, ratchet.head_diameter)
    handle = (low, low + ratchet.handle_height, ratchet.handle_width, 0.0, ratchet.handle_length)
    return Tool(name, family, (*rows, head), (handle,), ratchet.arc, **more)


def _longer(top: float, drive: str) -> Iterator[tuple[str, tuple[Row, ...]]]:
    yield "", ()
    for one in standards.extensions():
        if one.drive == drive:
            neck = (top, top + one.length - one.end_length, one.shank_diameter)
            end = (neck[1], top + one.length, one.end_diameter)
            yield f", extension {one.length:g}", (neck, end)


def _on_drive(name: str, family: str, rows: tuple[Row, ...], drive: str) -> Iterator[Tool]:
    ratchet, wrench = (
        _of(table, drive) for table in (standards.ratchets(), standards.torque_wrenches())
    )
    top = rows[-1][1]
    for more, bar in _longer(top, drive):
        yield _handled(f"{name}{more}", family, (*rows, *bar), ratchet)
        full = f"torque wrench, {name}{more}"
        yield _handled(full, "torque wrench", (*rows, *bar), wrench)
    joint = _of(standards.universal_joints(), drive)
    middle, end = top + joint.pivot, top + joint.length
    for more, bar in _longer(end, drive):
        yield _handled(
            f"{name}, universal joint{more}",
            "universal joint",
            ((middle, end, joint.diameter), *bar),
            ratchet,
            base=(*rows, (top, middle, joint.diameter)),
            tilt=joint.tilt,
            pivot=middle,
        )


def _spanner(one: Any, row: Screw) -> Tool:
    width, length = one.handle_width, one.length
    if one.kind == "open":
        low = (1.0 - GRIP) * (row.head_height - (row.flange_edge or 0.0))
        high = low + one.head_thickness
        bars: tuple[Bar, ...] = ((low, high, width, 0.0, length),)
        aside = one.head_width
    else:
        low, high, aside = 0.0, one.head_thickness, 0.0
        start = 0.5 * one.head_width
        slope, step = math.tan(math.radians(one.rise)), (length - start) / STEPS
        bars = tuple(
            (
                low + slope * k * step,
                high + slope * (k + 1) * step,
                width,
                start + k * step,
                start + (k + 1) * step,
            )
            for k in range(STEPS)
        )
    name = f"{one.kind} spanner"
    rows = ((low, high, one.head_width),)
    return Tool(f"{name} {_size(one.across_flats)}", name, rows, bars, one.arc, aside=aside)
