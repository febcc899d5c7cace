"""Fastener entries as every check of fasteners needs them."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from pydantic import Field

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.seat import Seat
from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, Positive, Table
from geomcheck.project.lines import Key
from geomcheck.standards import heads


class SeatTable(Table):
    """Settings of a check that looks for the seat under a head."""

    seat_tolerance: Positive = Field(
        default=0.5, description="how far metal may miss the stated seat plane, mm"
    )
    seat_share: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.6, description="least part of the head's ring that must bear, 0 to 1"
    )


def resolve(assembly: Assembly, key: Key, entry: FastenerEntry) -> Fastener:
    """The fastener an entry describes.

    Raises
    ------
    ProjectError
        The part it sits on, its head or its size is not known; names the line.
    """
    if entry.part not in assembly.parts:
        assembly.refuse(
            (*key, "part"),
            f'there is no part "{entry.part}"',
            f"Known parts: {', '.join(assembly.parts)}",
        )
    try:
        return Fastener.of(
            entry.head,
            entry.size,
            entry.at,
            entry.axis,
            length=entry.length,
            washer=entry.washer,
            name=entry.name,
        )
    except InputError as error:
        field = "size" if entry.head in heads() else "head"
        assembly.refuse((*key, field), error.what, error.remedy)


def title(entry: FastenerEntry) -> str:
    """The screw in a sentence: ``"B1" (M8 x 30 ISO 4762)``."""
    return f'"{entry.name}" ({entry.size} x {entry.length:g} {entry.head})'


def seat_finding(
    code: str,
    assembly: Assembly,
    key: Key,
    entry: FastenerEntry,
    trouble: tuple[Verdict, str, str],
    seat: Seat,
) -> Finding:
    """A finding on a screw whose seat is not as declared: verdict, message and remedy."""
    verdict, message, remedy = trouble
    return Finding(
        code=code,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'bolt "{entry.name}"',
        parts=(entry.part,),
        message=message,
        remedy=remedy,
        witnesses=(Witness("seat", entry.part, entry.at),),
        entry=assembly.entry(key),
        details={"seat": asdict(seat)},
    )
