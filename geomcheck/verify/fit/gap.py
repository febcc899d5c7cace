"""Re-check of gaps and overlaps of two parts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit.depth import deeper_than
from geomcheck.verify.fit.mated import left_out, nearest_beside
from geomcheck.verify.limits import limit_of_gap
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import nearest_below
from geomcheck.verify.plain.simple import winding
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR, closeness, on_part

#: Pairs of triangles measured one by one for one finding, at most.
PAIRS = 8_000_000
#: Pieces of a part whose inside is asked for, at most.
MANY = 200
#: Greatest depth may be this share, or this much (mm), more than was told.
SHARE, MORE = 0.01, 1e-3


def gap(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A gap between two parts: its witnesses, its value, and that nothing is nearer."""
    limit = limit_of_gap(scene.project, finding)
    need = finding.requirement
    if need is not None:
        asked = "nothing" if limit is None else f"{limit:g} mm"
        yield confirm("limit", limit == need.limit, f"{need.limit:g} mm; the project says {asked}")
    names = finding.parts
    if finding.quantity is None:
        if finding.details.get("state") == "mated" and limit is not None:
            yield from _beside(scene, finding, limit, limit)
        elif finding.verdict is Verdict.PASS:
            yield confirm("gap", False, "a pass without a value")
        else:
            yield left_open("gap", "there is no value to re-check")
        return
    if [witness.part for witness in finding.witnesses] != list(names):
        yield confirm("witnesses", False, f"one on {names[0]} and one on {names[1]} are wanted")
        return
    value = finding.quantity.value
    state = str(finding.details.get("state", ""))
    bodies = [scene.body(finding.vehicle, name) for name in names]
    yield from pair(scene, finding, value, state)
    if value > 0.0:
        required = value if limit is None else limit
        yield from _beside(scene, finding, value, required)
        yield from _not_inside(bodies, names)
    elif finding.details.get("depth") is not None:
        if finding.details.get("mates"):
            yield left_open("no deeper", "mating faces are left out of an overlap")
        else:
            yield from no_deeper(bodies, names, _deepest(finding))


def _deepest(finding: Finding) -> float:
    """What the search for the greatest depth left open, added to the depth found, mm."""
    quantity = finding.quantity
    assert quantity is not None
    left = sum(term.minus for term in quantity.terms if term.name == "greatest depth")
    return -quantity.value + float(left)


def _beside(scene: Scene, finding: Finding, value: float, required: float) -> Iterator[Claim]:
    """That nothing is nearer, what mates explain left out."""
    a, b = (scene.body(finding.vehicle, name) for name in finding.parts)
    near = closeness(scene, finding.vehicle, *finding.parts)
    names = [str(name) for name in finding.details.get("mates") or ()]
    if not names:
        yield nothing_nearer(a, b, value, near)
        return
    first, second = finding.parts
    regions, wrong = left_out(scene, finding.vehicle, (first, second), names, required)
    if wrong:
        yield confirm("mates left out", False, f"{', '.join(wrong)}: not there, or does not hold")
        return
    # Round a joint the gap told may be one the outline sets, no less than required: what is
    # wider than that is not asked for.
    least, complete = nearest_beside(a, b, regions, min(value, required) - near, PAIRS)
    yield _nearest_claim(least, complete, min(value, required), ", mating faces left out")


def nothing_nearer(a: Body, b: Body, value: float, near: float = NEAR) -> Claim:
    """The claim that two parts are no nearer than ``value`` (mm) anywhere."""
    least, complete = nearest_below(a.bundles, b.bundles, value - near, PAIRS)
    return _nearest_claim(least, complete, value, "")


def _nearest_claim(least: float | None, complete: bool, value: float, more: str) -> Claim:
    what = "nothing nearer"
    if least is not None:
        return confirm(what, False, f"found {least:.6f} mm, less than {value:.6f} mm")
    if not complete:
        return left_open(what, f"more than {PAIRS} pairs of triangles may be nearer")
    return confirm(what, True, f"than {value:.6f} mm, over all triangles{more}")


def _not_inside(bodies: list[Body], names: tuple[str, ...]) -> Iterator[Claim]:
    """That no piece of one part lies in the material of the other: distance does not tell."""
    for inner, outer, name, other in (
        (bodies[0], bodies[1], names[0], names[1]),
        (bodies[1], bodies[0], names[1], names[0]),
    ):
        if not outer.closed:
            continue
        what = f"{name} not inside {other}"
        if len(inner.pieces) > MANY:
            yield left_open(what, f"{name} has {len(inner.pieces)} pieces")
            continue
        held = sum(outer.holds(point) for point in inner.pieces)
        yield confirm(what, held == 0, f"{held} of {len(inner.pieces)} pieces are in its material")


def no_deeper(bodies: list[Body], names: tuple[str, ...], depth: float) -> Iterator[Claim]:
    """That no point of either lies deeper in the other than ``depth`` (mm) and a hundredth."""
    limit = depth * (1.0 + SHARE) + MORE
    for surface, solid, name, other in (
        (bodies[0], bodies[1], names[0], names[1]),
        (bodies[1], bodies[0], names[1], names[0]),
    ):
        if not solid.closed:
            continue
        what = f"no deeper in {other}"
        found = deeper_than(surface, solid, limit)
        if found is None:
            yield left_open(what, "too many places would have to be looked at")
        elif found > 0.0:
            yield confirm(what, False, f"{name} has a point {found:.6f} mm deep, {depth:.6f} told")
        else:
            yield confirm(what, True, f"no point of {name} is deeper than {limit:.6f} mm")


def pair(scene: Scene, finding: Finding, value: float, state: str) -> Iterator[Claim]:
    """The last two witnesses: on their parts, and the value between them."""
    ends = finding.witnesses[-2:]
    bodies = [scene.body(finding.vehicle, witness.part) for witness in ends]
    near = closeness(scene, finding.vehicle, *(witness.part for witness in ends))
    a, b = (np.array(witness.point) for witness in ends)
    for witness, body in zip(ends, bodies, strict=True):
        yield on_part(witness, body.triangles, near=near)
    apart = float(np.linalg.norm(a - b))
    if value > 0.0 or state in ("apart", "touching"):
        yield confirm(
            "distance of the witnesses",
            abs(apart - abs(value)) <= NEAR
            or (state == "touching" and max(apart, abs(value)) < 1e-3),
            f"{apart:.6f} mm against {value:.6f} mm",
        )
        return
    yield confirm("depth", abs(apart + value) <= NEAR, f"{apart:.6f} mm against {-value:.6f} mm")
    # The deepest point of one lies inside the other; a point on a surface has no side.
    turns: Any = (winding(a, bodies[1].triangles), winding(b, bodies[0].triangles))
    yield confirm(
        "inside",
        max(abs(turn) for turn in turns) > 0.75,
        f"winding numbers {turns[0]:.3f} and {turns[1]:.3f}",
    )
