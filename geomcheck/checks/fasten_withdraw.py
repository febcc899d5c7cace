"""Drawing a fastener: is there room along its axis to take it out and put it in.

What: For every fastener, the head (a cylinder of its greatest diameter, standing on its seat) is
moved out along the axis until it meets metal of any part; parts marked ``open_for_tools`` are left
out. The free travel must be at least the screw's nominal length plus ``margin``. Not looked at:
the way aside once the screw is out, the washer, a hand.

Why: A bolt that a wheel arch or a bulkhead keeps in its hole means that the bracket, or the
engine, comes out first.

Remedy: Use a shorter screw, or a stud; move or relieve the part that blocks; turn the axis; or let
the screw travel with the housing, put in before the housing goes on, and then say so by leaving it
out of this vehicle's fasteners.

Details of a finding: ``travel`` and ``needed`` (mm), ``head_diameter`` (mm), ``seat``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Annotated

from pydantic import Field

from geomcheck.fasten import words
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.withdraw import Withdrawal, withdraw
from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, NotNegative, Positive, Table
from geomcheck.project.lines import Key
from geomcheck.project.screws import resolve, seat_finding, title

CODE = "fasten-withdraw"
TITLE = "room to draw fasteners"


class Settings(Table):
    """Settings of the check."""

    margin: NotNegative = Field(
        default=0.0, description="travel wanted beyond the screw's length, mm"
    )
    seat_tolerance: Positive = Field(
        default=0.5, description="how far metal may miss the stated seat plane, mm"
    )
    seat_share: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.6, description="least part of the head's ring that must bear, 0 to 1"
    )
    lift: NotNegative = Field(
        default=0.3, description="nothing is looked at nearer to the seat than this, mm"
    )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each fastener of the vehicle."""
    # Every entry is read before any is measured: a wrong one should not cost the work first.
    asked = [(*pair, resolve(assembly, *pair)) for pair in assembly.fasteners]
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    for key, entry, fastener in asked:
        yield _ask(assembly, settings, about, key, entry, fastener)


def _ask(
    assembly: Assembly,
    settings: Settings,
    about: Surroundings,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
) -> Finding:
    seat = examine_seat(
        fastener, about[entry.part], tolerance=settings.seat_tolerance, share=settings.seat_share
    )
    trouble = words.seat_trouble(
        fastener, title(entry), about[entry.part], seat, settings.seat_tolerance
    )
    if trouble is not None:
        return seat_finding(CODE, assembly, key, entry, trouble, seat)
    height = about.span(fastener) + fastener.head_top + fastener.length + settings.margin
    result = withdraw(
        fastener,
        about.along(fastener, height, fastener.head_radius, entry.part),
        seat=seat,
        lift=settings.lift,
        margin=settings.margin,
    )
    need = Requirement("at least", result.needed, "mm", f'length of "{entry.name}"')
    return _finding(assembly, key, entry, fastener, seat, result, need)


def _finding(
    assembly: Assembly,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
    seat: Seat,
    result: Withdrawal,
    need: Requirement,
) -> Finding:
    quantity = _quantity(assembly, result)
    verdict = need.decide(quantity)
    witness = Witness("seat", entry.part, entry.at)
    witnesses: tuple[Witness, ...] = (witness,)
    if result.blocker is not None and result.point is not None:
        witnesses = (Witness("head stops here", result.blocker, result.point), witness)
    kinds = [assembly.parts[result.blocker].kind] if result.blocker is not None else []
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'bolt "{entry.name}"',
        parts=tuple(dict.fromkeys(filter(None, (entry.part, result.blocker)))),
        message=words.withdraw_message(fastener, title(entry), result, verdict),
        remedy=words.withdraw_remedy(fastener, entry.part, result, verdict),
        # Nothing in the way is not a travel of so many mm: the message and details say how far
        # was looked.
        quantity=None if result.clear and verdict is Verdict.PASS else quantity,
        requirement=need,
        witnesses=witnesses,
        view=words.side_view(fastener, result.point),
        entry=assembly.entry(key),
        caution=words.cautions("", kinds),
        details={
            "travel": {"read": result.travel, "at_least": result.clear},
            "needed": need.limit,
            "head_diameter": fastener.screw.head_diameter,
            "triangle": result.triangle,
            "seat": asdict(seat),
            "basis": {"screw": fastener.screw.status},
        },
    )


def _quantity(assembly: Assembly, result: Withdrawal) -> Quantity:
    name = result.doubt or result.blocker or ""
    source = assembly.parts[name].sagitta.source if name else ""
    terms = words.facet_terms(result.travel, result.low, result.high, name, source)
    return Quantity("free travel", result.travel, "mm", result.low, result.high, terms)
