"""Ports in a joint: does an edge stand into the flow, is there face enough for the gasket.

What: For each ``[[port_joint]]`` the openings of both parts in the faces of its mate are looked at
along the faces' normal. Asked are the greatest step of an edge into the flow (of the part
downstream over the opening upstream; both ways where ``flow`` is ``both``), where ``step`` is given
how far the opening widens downstream, and the land: the least width of the faces' common area
between the opening and the next edge, of the face or of another hole. The openings are those in
the plane of the faces: a chamfer at the edge belongs to them. The gasket's own opening is not
looked at.

Why: An edge in the flow costs area and stirs it; too narrow a land lets the gasket blow out, or it
overhangs into the port. Neither is seen once the parts are together.

Remedy: Move the opening, or take its edge back by the amount and in the direction stated; match the
ports to each other; widen the face, or move the hole that leaves too little land.

Details of a finding: ``area`` (mm2 of each opening), ``covered`` (mm2 of the upstream opening that
the other part covers), ``outward`` (the way the edge has to go back).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Point, Quantity, Requirement, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import Body
from geomcheck.fit.mate import check_mate
from geomcheck.fit.ports import PortJoint, Step, measure_ports
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import MateEntry, PortJointEntry, Table
from geomcheck.project.lines import Key
from geomcheck.wording import capital

CODE = "fit-ports"
TITLE = "ports in joints"


class Settings(Table):
    """The ``[check.fit-ports]`` table: the port joints themselves say all there is to set."""


@dataclass(frozen=True)
class _Ask:
    """One port joint, its mate, and the findings on it."""

    assembly: Assembly
    key: Key
    entry: PortJointEntry
    mate: MateEntry

    def finding(
        self, what: str, verdict: Verdict, message: str, remedy: str, **more: Any
    ) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=self.assembly.vehicle,
            subject=f'port "{self.entry.name}"{what}',
            parts=self.mate.parts,
            message=message,
            remedy="" if verdict is Verdict.PASS else remedy,
            entry=self.assembly.entry(self.key),
            **more,
        )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Two findings for each port joint of the vehicle, three where ``step`` is given."""
    mates = {entry.name: entry for _, entry in assembly.mates}
    for key, entry in assembly.port_joints:
        mate = mates.get(entry.mate)
        if mate is None:
            assembly.refuse(
                (*key, "mate"),
                f"vehicle {assembly.vehicle!r} has no mate named {entry.mate!r}",
                f"known: {', '.join(mates) or 'none'}; where its mate belongs to one vehicle "
                "only, give the port joint that vehicle, too",
            )
        for name in mate.parts:
            if name not in assembly.parts:
                assembly.refuse(
                    (*key, "mate"), f"vehicle {assembly.vehicle!r} has no part named {name!r}"
                )
        yield from _answers(_Ask(assembly, key, entry, mate))


def _answers(ask: _Ask) -> Iterator[Finding]:
    entry, mate = ask.entry, ask.mate
    first, second = mate.parts
    a, b = (Body.of(ask.assembly.parts[name]) for name in mate.parts)
    try:
        found = check_mate(a, b, mate.at, mate.normal, gasket=mate.gasket, tolerance=mate.tolerance)
    except CannotDecide as error:
        yield ask.finding(
            "",
            Verdict.UNDECIDED,
            f'The faces of mate "{mate.name}" were not found, so its port cannot be measured: '
            f"{_named(error.what, mate)}.",
            "Mend the mate first; fit-mate tells more.",
            witnesses=(Witness("port", first, entry.at),),
        )
        return
    try:
        joint = measure_ports(a, b, found, entry.at)
    except CannotDecide as error:
        # Metal across the port is there for certain in a closed mesh; an opening may be missing
        # from a scan, and one that is open to the side may be so by mistake of the point.
        blamed = {"first part": (a,), "second part": (b,)}.get(error.where, (a, b))
        certain = all(body.solid for body in blamed)
        yield ask.finding(
            "",
            Verdict.FAIL if certain else Verdict.UNDECIDED,
            f"{capital(_named(error.what, mate))}, {words.place(entry.at)}.",
            f"{capital(error.remedy)}.",
            witnesses=(Witness("port", first, entry.at),),
        )
        return
    steps = {
        "first to second": ((joint.into_second, joint.into_first, second, first),),
        "second to first": ((joint.into_first, joint.into_second, first, second),),
        "both": (
            (joint.into_second, joint.into_first, second, first),
            (joint.into_first, joint.into_second, first, second),
        ),
    }[entry.flow]
    into, wider, down, up = max(steps, key=lambda row: row[0].size.high)
    yield _overhang(ask, joint, into, down, up)
    if entry.step is not None:
        wider, down, up = max(
            ((row[1], row[2], row[3]) for row in steps), key=lambda row: row[0].size.high
        )
        yield _widening(ask, joint, wider, down, up)
    yield _land(ask, joint)


def _overhang(ask: _Ask, joint: PortJoint, into: Step, down: str, up: str) -> Finding:
    need = Requirement("at most", ask.entry.overhang, "mm", f'port "{ask.entry.name}"')
    verdict = need.decide(into.size)
    way = words.direction(into.outward)
    return ask.finding(
        ": edge in the flow",
        verdict,
        f"The edge of {down} stands {words.interval(into.size, need)} into the port of {up} at "
        f"{words.place(into.place)}, {ask.entry.overhang:g} mm allowed; it covers "
        f"{into.area:.1f} mm2 of {_area(joint, ask.mate, up):.0f}.",
        _or_finer(
            verdict,
            f"Take the edge of {down} back there by "
            f"{_up(into.size.high - ask.entry.overhang)} mm along {way}, or move its port.",
        ),
        quantity=_called("overhang", into.size),
        requirement=need,
        witnesses=(Witness("edge", down, into.place),),
        view=_view(ask.mate, down),
        details=_details(joint, into),
    )


def _widening(ask: _Ask, joint: PortJoint, wider: Step, down: str, up: str) -> Finding:
    limit = ask.entry.step if ask.entry.step is not None else 0.0
    need = Requirement("at most", limit, "mm", f'port "{ask.entry.name}"')
    verdict = need.decide(wider.size)
    return ask.finding(
        ": widening",
        verdict,
        f"The port widens from {up} to {down} by a step of {words.interval(wider.size, need)} at "
        f"{words.place(wider.place)}, {limit:g} mm allowed.",
        _or_finer(
            verdict,
            f"Take the edge of {up} back there by {_up(wider.size.high - limit)} mm along "
            f"{words.direction(wider.outward)}, or move its port.",
        ),
        quantity=_called("step", wider.size),
        requirement=need,
        witnesses=(Witness("edge", up, wider.place),),
        view=_view(ask.mate, down),
        details=_details(joint, wider),
    )


def _land(ask: _Ask, joint: PortJoint) -> Finding:
    need = Requirement("at least", ask.entry.land, "mm", f'port "{ask.entry.name}"')
    verdict = need.decide(joint.land)
    here, there = joint.land_ends
    first, second = ask.mate.parts
    return ask.finding(
        ": land",
        verdict,
        f"{words.interval(joint.land, need)} of face is left round the port of {first} and "
        f"{second} at {words.place(here)}, to the next edge at {words.place(there)}; "
        f"{ask.entry.land:g} mm wanted.",
        _or_finer(
            verdict,
            f"Move the edges there apart by {_up(ask.entry.land - joint.land.low)} mm: widen the "
            "face, or move the port or the hole.",
        ),
        quantity=joint.land,
        requirement=need,
        witnesses=(Witness("edge of the port", first, here), Witness("next edge", first, there)),
        view=_view(ask.mate, second),
        details={"area": list(joint.areas)},
    )


def _details(joint: PortJoint, step: Step) -> dict[str, Any]:
    return {"area": list(joint.areas), "covered": step.area, "outward": list(step.outward)}


def _area(joint: PortJoint, mate: MateEntry, part: str) -> float:
    return joint.areas[mate.parts.index(part)]


def _view(mate: MateEntry, part: str) -> Point:
    """On to a part's face."""
    turn = 1.0 if part == mate.parts[1] else -1.0
    return (
        turn * mate.normal[0] + 0.0,
        turn * mate.normal[1] + 0.0,
        turn * mate.normal[2] + 0.0,
    )


def _called(name: str, size: Quantity) -> Quantity:
    return Quantity(name, size.value, size.unit, size.low, size.high, size.terms)


def _or_finer(verdict: Verdict, remedy: str) -> str:
    if verdict is Verdict.UNDECIDED:
        return f"Export both parts with a finer chord error to decide. To be sure: {remedy}"
    return remedy


def _up(value: float) -> str:
    """An amount to move, rounded up to hundredths."""
    return words.length(-(-round(value * 100.0, 6) // 1) / 100.0)


def _named(text: str, mate: MateEntry) -> str:
    return text.replace("the first part", mate.parts[0]).replace("the second part", mate.parts[1])
