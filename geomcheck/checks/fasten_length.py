"""Bolt length: is each bolt long enough, does it bottom, what does its end come near.

What: Asked of fasteners whose entry gives ``into``, ``nut``, ``engagement``, ``material`` or
``thread_depth``, and of all with ``all = true``. From the meshes along the axis: the seat, the
thickness clamped (metal, the gasket of a mate between the parts, and air, which is named), room for
the shank in every hole, the tapped hole (drawn at its tap drill or at its nominal diameter; depth
to where the drill's cone begins), the thread engaged, the distance from the bolt's end to the end
of the full thread, or through a hole to whatever lies beyond, and what stands out of a nut. The
layers are seen by rays on rings under the head; holes by sections of the facets; shank and end by
exact distances. Not looked at: torque, strength of the bolt, the nut's own room, a bolt that is
itself a part of the project.

Why: A bolt that is too short strips the thread out of a casting; one that bottoms is tight without
clamping anything, and the joint leaks; one that comes out at the far side meets a rotor.

Remedy: Use the standard length that is named, with the range that works; deepen the hole or its
thread; add a washer. Where something is missing, give it: the material of the part with the thread
(for the rule of engagement) or ``engagement``, ``thread_depth`` of a blind hole, ``into``.

Details of a finding: ``grip`` (mm, layers, joints), ``hole``, ``figures`` (mm, with the least
wanted), ``lengths`` (that work, mm), ``engagement_source``, ``seat``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

from pydantic import Field

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import length_words as say
from geomcheck.fasten import words
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.grip import Grip, examine_grip, looking_depth, wide
from geomcheck.fasten.length import Figure, Lengths, Wanted, figures, find_lengths
from geomcheck.fasten.length_words import Problem
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.finding import SEVERITY, Finding, Quantity, Requirement, Term, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.bolts import gaskets, length_is_asked, wanted
from geomcheck.project.entries import FastenerEntry, NotNegative
from geomcheck.project.lines import Key
from geomcheck.project.recall import recalled_watched
from geomcheck.project.screws import SeatTable, resolve, seat_finding, title
from geomcheck.wording import capital

CODE = "fasten-length"
TITLE = "bolt lengths"


class Settings(SeatTable):
    """Settings of the check."""

    all: bool = Field(
        default=False, description="ask of every fastener, not only where the entry says more"
    )
    margin: NotNegative = Field(
        default=2.0,
        description="bolt's end to the end of the full thread, in pitches (common practice)",
    )
    protrusion: NotNegative = Field(
        default=2.0, description="bolt beyond its nut, in pitches (common practice)"
    )
    tip: NotNegative = Field(
        default=1.0, description="bolt's end to metal beyond a through hole, mm (common practice)"
    )
    off_axis: NotNegative = Field(
        default=0.5, description="how far a tapped hole may stand off the fastener's axis, mm"
    )


@dataclass(frozen=True)
class _Asked:
    key: Key
    entry: FastenerEntry
    fastener: Fastener
    wanted: Wanted
    source: str


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each fastener that is asked about."""
    least = {"margin": settings.margin, "protrusion": settings.protrusion, "tip": settings.tip}
    # Every entry is read before any is measured: a wrong one should not cost the work first.
    asked = [
        _Asked(key, entry, resolve(assembly, key, entry), *wanted(assembly, key, entry, **least))
        for key, entry in assembly.fasteners
        if settings.all or length_is_asked(entry)
    ]
    for one in asked:
        ask = partial(_ask, settings=settings, asked=one)
        yield from recalled_watched(assembly, CODE, one.key, ask)


def _ask(assembly: Assembly, settings: Settings, asked: _Asked) -> Finding:
    about = Surroundings(assembly.parts)
    entry, fastener = asked.entry, asked.fastener
    carrier = about[entry.part]
    seat = examine_seat(
        fastener, carrier, tolerance=settings.seat_tolerance, share=settings.seat_share
    )
    trouble = words.seat_trouble(fastener, title(entry), carrier, seat, settings.seat_tolerance)
    if trouble is not None:
        return seat_finding(CODE, assembly, asked.key, entry, trouble, seat)
    want = replace(asked.wanted, seat=seat.sagitta)
    try:
        grip = examine_grip(
            fastener,
            about.along(fastener, -looking_depth(fastener), wide(fastener), entry.part),
            seat=seat,
            into=entry.into,
            nut_height=None if want.nut is None else want.nut.height_max,
            gaskets=gaskets(assembly),
        )
    except CannotDecide as error:
        stopped = (Verdict.UNDECIDED, f"{title(entry)}: {error.what}.", f"{error.remedy}.")
        return seat_finding(CODE, assembly, asked.key, entry, stopped, seat)
    except InputError as error:
        wrong = (Verdict.ERROR, f"{title(entry)}: {error.what}.", "Correct into, or the axis.")
        return seat_finding(CODE, assembly, asked.key, entry, wrong, seat)
    measured = figures(fastener, grip, want)
    lengths = find_lengths(fastener, grip, want)
    problems = list(_problems(settings, asked, want, grip, measured))
    return _finding(assembly, asked, seat, grip, measured, lengths, problems)


def _problems(
    settings: Settings,
    asked: _Asked,
    want: Wanted,
    grip: Grip,
    measured: tuple[Figure, ...],
) -> Iterator[Problem]:
    entry, fastener = asked.entry, asked.fastener
    found = [
        say.order_problem(grip, entry.part),
        say.shank_problem(fastener, grip),
        say.bore_problem(fastener, grip, named=entry.into is not None),
        say.offset_problem(grip, settings.off_axis),
    ]
    if grip.bore is not None and grip.bore.kind == "thread":
        found.append(say.depth_problem(grip.bore, entry.thread_depth, grip.into or ""))
    found += [say.figure_problem(fastener, grip, want, figure) for figure in measured]
    yield from (problem for problem in found if problem is not None)
    if want.nut is None and want.engagement is None:
        yield Problem(
            Verdict.UNDECIDED,
            "How much thread has to be engaged is not given.",
            "Give the material of the part with the thread, or engagement (mm, or '1.5d').",
        )


def _finding(
    assembly: Assembly,
    asked: _Asked,
    seat: Seat,
    grip: Grip,
    measured: tuple[Figure, ...],
    lengths: Lengths,
    problems: list[Problem],
) -> Finding:
    entry, fastener = asked.entry, asked.fastener
    problems.sort(key=lambda problem: SEVERITY.index(problem.verdict))
    verdict = problems[0].verdict if problems else Verdict.PASS
    told = [problem.figure for problem in problems]
    facts = say.good_text(fastener, grip, tuple(f for f in measured if f not in told))
    air = say.air_text(grip)
    if problems:
        what = " ".join(problem.what for problem in problems)
        message = f"{title(entry)}: {what} {capital(facts)}. {air}".strip()
    else:
        message = f"{title(entry)} has the right length: {facts}. {air}".strip()
    # The verdict rests on the first problem; without any, on the figure with least to spare.
    worst = problems[0].figure if problems else None
    if not problems and measured:
        worst = min(measured, key=lambda figure: figure.low - figure.least)
    witnesses = [Witness("seat", entry.part, entry.at)]
    names = [entry.part, *grip.stack.parts]
    near = grip.beyond
    if near is not None and near.part is not None and near.point is not None:
        witnesses.append(Witness("beyond its end", near.part, near.point))
        names += [near.part] if worst is not None and worst.name == "tip" else []
    if grip.shank.low < 0.0 and grip.shank.part and grip.shank.point:
        witnesses.insert(0, Witness("in the shank's way", grip.shank.part, grip.shank.point))
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'bolt "{entry.name}"',
        parts=tuple(dict.fromkeys(names)),
        message=message,
        remedy=_remedy(fastener, lengths, problems),
        quantity=None if worst is None else _quantity(worst),
        requirement=None if worst is None else _requirement(asked, worst),
        witnesses=tuple(witnesses),
        view=words.side_view(fastener, None),
        entry=assembly.entry(asked.key),
        caution=_caution(assembly, grip),
        details={
            "grip": _grip_details(grip),
            "hole": None if grip.bore is None else _plain(asdict(grip.bore)),
            "figures": {
                f.name: {"value": f.value, "low": f.low, "high": f.high, "least": f.least}
                for f in measured
            },
            "lengths": asdict(lengths),
            "engagement_source": asked.source,
            "seat": asdict(seat),
        },
    )


def _remedy(fastener: Fastener, lengths: Lengths, problems: list[Problem]) -> str:
    """What to do: mend what no length mends first; else another length."""
    if not problems:
        return ""
    own = [problem.remedy for problem in problems if problem.remedy]
    other = say.lengths_text(fastener, lengths)
    lasting = any(problem.figure is None for problem in problems)
    if lasting or lengths.standard == fastener.length:
        return " ".join(own)
    if not other and any(problem.figure is not None for problem in problems):
        other = "No length works: deepen the hole or its thread, or change what is clamped."
    return " ".join(filter(None, [other, *own]))


def _quantity(figure: Figure) -> Quantity:
    terms = tuple(
        Term(name, max(a, 0.0), max(b, 0.0), source) for name, a, b, source in figure.terms
    )
    names = {
        "engagement": "engaged thread",
        "margin": "end of bolt to end of thread",
        "tip": "end of bolt to metal",
        "protrusion": "bolt beyond its nut",
        "shank": "thread before the hole",
    }
    return Quantity(names[figure.name], figure.value, "mm", figure.low, figure.high, terms)


def _requirement(asked: _Asked, figure: Figure) -> Requirement:
    source = asked.source if figure.name == "engagement" else f"check {CODE}"
    return Requirement("at least", figure.least, "mm", source)


def _caution(assembly: Assembly, grip: Grip) -> str:
    name = None if grip.beyond is None else grip.beyond.part
    if name is None:
        return ""
    kind = assembly.parts[name].kind
    if any(name in movement.parts for _, movement in assembly.movements):
        kind = "moving part"
    return say.TIP_CLASS.get(kind, "")


def _grip_details(grip: Grip) -> dict[str, Any]:
    return {
        "thickness": grip.thickness,
        "into": grip.into,
        "layers": [_plain(asdict(layer)) for layer in grip.stack.layers],
        "share": grip.stack.share,
        "joints": [
            {
                "parts": [held.joint.upper, held.joint.lower],
                "gap": held.joint.gap,
                "gasket": None if held.gasket is None else held.gasket.thickness,
                "air": held.air,
            }
            for held in grip.joints
        ],
        "shank_room": {"read": grip.shank.value, "low": grip.shank.low, "part": grip.shank.part},
    }


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    """JSON has no inf and no nan: what is not known is null."""
    found = {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in values.items()
    }
    if "pieces" in found:
        found["pieces"] = [list(piece) for piece in values["pieces"]]
    return found
