"""Holes: is there one under each bolt, where the bolt is, and of its size.

What: Asked where the project has a ``[check.fasten-holes]`` table. Round holes are found in the
mesh of the part under each head: how far the hole's axis is from the bolt's at the seat, the angle
between them, and the hole's diameter against the clearance holes of ISO 273 (from ``least`` to
``most``). The bolt may be off by what the hole as found leaves round it, or by ``offset``. Where
the fastener says which part's thread it goes ``into`` (without a nut), the hole there must be the
tap drill of one of the thread's pitches or be drawn at full size, and its axis may be off by what
the hole under the head leaves. Holes in ``parts`` that fit one of the bolts' sizes and belong to no
fastener of the project are listed. A wall counts as round from 9 facets a turn over 300 degrees.

Why: A bolt list and a casting drift apart. A hole that was moved and a bolt that was not, an M6
hole under an M8 bolt, or a hole nobody has a bolt for, are found at assembly.

Remedy: Move the hole or the entry's ``at`` by the amount stated; drill to the size stated; declare
the bolt that goes into a hole, or close it.

Details of a finding: ``offset``, ``angle``, ``diameter``, ``wanted`` (mm), ``depth``, ``through``,
``hole`` (a point of its axis at the seat), ``wall`` (the axis from end to end of its wall); of the
list: ``holes``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from pydantic import Field

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import words
from geomcheck.fasten.crossing import Placed
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.hole_figures import (
    HoleFigure,
    angle_figure,
    diameter_figures,
    offset_figure,
)
from geomcheck.fasten.hole_sizes import class_of, clearance_range, thread_ranges
from geomcheck.finding import SEVERITY, Finding, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.bolt_holes import hole_under, unasked_holes, undeclared_holes
from geomcheck.project.entries import FastenerEntry, Name, NotNegative, Positive, Table
from geomcheck.project.found_holes import metal_at
from geomcheck.project.lines import Key
from geomcheck.project.recall import recalled
from geomcheck.project.screws import resolve, title
from geomcheck.standards import Fit
from geomcheck.wording import capital

CODE = "fasten-holes"
TITLE = "holes under bolts"


class Settings(Table):
    """The ``[check.fasten-holes]`` table; without it nothing is asked."""

    least: Fit = Field(default="fine", description="least clearance hole: fine, medium, coarse")
    most: Fit = Field(default="coarse", description="greatest clearance hole")
    offset: NotNegative | None = Field(
        default=None,
        description="how far a bolt may be off its hole, mm; else what the hole leaves",
    )
    angle: Positive = Field(
        default=1.0, description="between bolt and hole, degrees (common practice, no source)"
    )
    thread: Positive = Field(
        default=0.2,
        description="slack on the diameter of a threaded hole, mm (common practice, no source)",
    )
    near: Positive = Field(
        default=8.0, description="a hole farther from its bolt than this is not meant, mm"
    )
    parts: tuple[Name, ...] = Field(
        default=(), description="parts searched for holes without a bolt; none: the housing"
    )
    undeclared: Literal["remark", "fail", "ignore"] = Field(
        default="remark", description="what a hole without a bolt is"
    )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """A finding for each fastener and for each thread it goes into, and the list."""
    if assembly.lines.value(("check", CODE)) is None:
        return
    asked = [(*pair, resolve(assembly, *pair)) for pair in assembly.fasteners]
    if not asked:
        yield unasked_holes(
            CODE,
            assembly,
            (),
            f"No hole was compared: [check.{CODE}] is there, but no [[fastener]] for "
            f"{assembly.vehicle}.",
            f"Declare the bolts as [[fastener]], or take [check.{CODE}] out.",
        )
    for name in settings.parts:
        if name not in assembly.parts:
            assembly.refuse(
                ("check", CODE, "parts"),
                f"vehicle {assembly.vehicle!r} has no part named {name!r}",
                f"known: {', '.join(assembly.parts)}",
            )
    for key, entry, fastener in asked:
        into = entry.into if entry.nut is None and entry.into in assembly.parts else None
        names = [name for name in (entry.part, into) if name is not None]
        ask = partial(_ask, settings=settings, key=key, entry=entry, fastener=fastener, into=into)
        yield from recalled(assembly, CODE, names, key, ask)
    if settings.undeclared != "ignore":
        for name in settings.parts or (assembly.housing.name,):
            without = partial(
                undeclared_holes,
                CODE,
                name=name,
                near=settings.near,
                slack=settings.thread,
                fail=settings.undeclared == "fail",
            )
            yield from recalled(assembly, CODE, [name], ("without a bolt", name), without)


def _ask(
    assembly: Assembly,
    settings: Settings,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
    into: str | None,
) -> Iterator[Finding]:
    under: Placed | None = None
    if into != entry.part:
        finding, under = _clearance(assembly, settings, key, entry, fastener)
        yield finding
    if into is not None:
        yield _thread(assembly, settings, key, entry, fastener, into, under)


def _clearance(
    assembly: Assembly, settings: Settings, key: Key, entry: FastenerEntry, fastener: Fastener
) -> tuple[Finding, Placed | None]:
    size = fastener.screw.thread_diameter
    ask = _Ask(assembly, key, entry, fastener, entry.part, f'bolt "{entry.name}"')
    try:
        low, high = clearance_range(entry.size, settings.least, settings.most)
        placed = hole_under(
            assembly,
            entry.part,
            fastener,
            near=settings.near,
            reach=3.0,
            diameters=(0.5 * size, 3.0 * size),
        )
    except (InputError, CannotDecide) as error:
        return ask.undecided(error), None
    if placed is None:
        return ask.no_hole(settings.near, size), None
    leaves, source = settings.offset, f"[check.{CODE}]"
    if leaves is None:
        leaves, source = max(0.0, placed.bore.radius - 0.5 * size), "what the hole leaves"
    wanted = f"{low:g} to {high:g} mm (ISO 273, {settings.least} to {settings.most})"
    hint = ""
    if class_of(2.0 * placed.bore.radius, (entry.size,), settings.thread).endswith("thread"):
        hint = f'; if the thread is in this part, say into = "{entry.part}"'
    figures = (
        *diameter_figures(placed, low, high, wanted, hint),
        offset_figure(fastener, placed, (fastener.at, fastener.axis), leaves, source),
        angle_figure(fastener, placed, settings.angle),
    )
    return ask.answer(placed, figures, wanted), placed


def _thread(
    assembly: Assembly,
    settings: Settings,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
    into: str,
    under: Placed | None,
) -> Finding:
    size = fastener.screw.thread_diameter
    ask = _Ask(assembly, key, entry, fastener, into, f'bolt "{entry.name}" into "{into}"')
    try:
        ranges = thread_ranges(entry.size, settings.thread)
        placed = hole_under(
            assembly,
            into,
            fastener,
            near=settings.near,
            reach=3.0 if into == entry.part else entry.length + entry.washer,
            diameters=(0.6 * size, 1.6 * size),
            below=into != entry.part,
        )
    except (InputError, CannotDecide) as error:
        return ask.undecided(error)
    if placed is None:
        return ask.no_hole(settings.near, entry.length)
    # Of the two ways to draw a thread, the one the hole is nearer to.
    found = 2.0 * placed.bore.radius
    low, high = min(ranges, key=lambda r: max(r[0] - found, found - r[1]))
    spans = " or ".join(f"{a:g} to {b:g}" for a, b in ranges)
    wanted = f"{spans} mm (thread {entry.size}: at its tap drill, or full size)"
    line = (fastener.at, fastener.axis)
    leaves, source = settings.offset, f"[check.{CODE}]"
    if leaves is None:
        leaves, source = max(0.0, fastener.hole_radius - 0.5 * size), "ISO 273, medium"
        if under is not None:
            line = (under.point, under.hole.axis)
            leaves = max(0.0, under.bore.radius - 0.5 * size)
            source = "what the hole under the head leaves"
    figures = (
        *diameter_figures(placed, low, high, wanted),
        offset_figure(fastener, placed, line, leaves, source),
        angle_figure(fastener, placed, settings.angle),
    )
    return ask.answer(placed, figures, wanted)


@dataclass(frozen=True)
class _Ask:
    """One part's hole for one bolt, and the findings on it."""

    assembly: Assembly
    key: Key
    entry: FastenerEntry
    fastener: Fastener
    part: str
    subject: str

    def answer(self, placed: Placed, figures: tuple[HoleFigure, ...], wanted: str) -> Finding:
        """The worst of the figures, of equally bad ones the first; all good: the offset."""
        order = [SEVERITY.index(figure.verdict) for figure in figures]
        worst = figures[order.index(min(order))]
        good = worst.verdict is Verdict.PASS
        shown = figures[2] if good else worst
        said = {figure.said: None for figure in figures if good or figure.verdict is worst.verdict}
        message = f"{title(self.entry)} and {self.part}: {'; '.join(said)}."
        if worst.verdict is Verdict.UNDECIDED:
            message += " That is nearer to the limit than the corners of the mesh can tell."
        return self._finding(
            worst.verdict,
            message,
            "" if good else worst.remedy,
            quantity=shown.quantity,
            requirement=shown.need,
            witnesses=(
                Witness("hole", self.part, placed.point),
                Witness("seat", self.entry.part, self.entry.at),
            ),
            details={
                **{figure.quantity.name: figure.quantity.value for figure in figures[2:]},
                "diameter": 2.0 * placed.bore.radius,
                "wanted": wanted,
                "depth": placed.hole.depth,
                "through": placed.hole.through,
                "hole": list(placed.point),
                "wall": [list(point) for point in placed.wall],
            },
        )

    def undecided(self, error: InputError | CannotDecide) -> Finding:
        """What cannot be asked of this bolt or this mesh."""
        seat = Witness("seat", self.entry.part, self.entry.at)
        what = f"{capital(error.what)}."
        return self._finding(Verdict.UNDECIDED, what, f"{error.remedy}.", witnesses=(seat,))

    def no_hole(self, near: float, depth: float) -> Finding:
        """No round hole: a fail where the bolt's axis runs into metal at once."""
        solid = metal_at(self.assembly, self.part, self.fastener.at, self.fastener.axis, depth)
        text = (
            f"{title(self.entry)} has no round hole in {self.part} within {near:g} mm of "
            f"{words.at(self.entry.at)}"
        )
        if solid:
            text += ": there is metal where it should go"
        else:
            text += ", and no metal on its axis: the hole may not be round, or too coarse"
        return self._finding(
            Verdict.FAIL if solid else Verdict.UNDECIDED,
            text + ".",
            "Put the hole in, or correct the bolt's at and axis. A hole is found where its wall "
            "is round over 300 degrees and has at least 9 facets a turn.",
            witnesses=(Witness("seat", self.entry.part, self.entry.at),),
        )

    def _finding(self, verdict: Verdict, message: str, remedy: str, **more: Any) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=self.assembly.vehicle,
            subject=self.subject,
            parts=tuple(dict.fromkeys((self.part, self.entry.part))),
            message=message,
            remedy=remedy,
            entry=self.assembly.entry(self.key),
            **more,
        )
