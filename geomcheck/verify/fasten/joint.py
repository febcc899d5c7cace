"""A bolted joint in figures: what is told of it, what lies beyond its end, what it comes to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.fasten.axis import View
from geomcheck.verify.fasten.bolts import Bolt, limit
from geomcheck.verify.fasten.lengths import Joint, least_engagement
from geomcheck.verify.witness import NEAR

#: Depths and lengths found by other means agree to this, mm.
DEPTH = 2e-3
#: Nothing is looked at nearer to the seat, or beyond the end of a hole, than this, mm.
LIFT = 0.3
#: Surely free of a threaded wall, over its diameter.
INSIDE = 0.48
#: How far a tapped hole may stand off the axis where the project file does not say, mm.
OFF_AXIS = 0.5
#: Quantities by the name of their figure.
NAMES = {
    "engaged thread": "engagement",
    "end of bolt to end of thread": "margin",
    "end of bolt to metal": "tip",
    "bolt beyond its nut": "protrusion",
    "thread before the hole": "shank",
}


def inside(bolt: Bolt, hole: Any) -> float:
    """A radius that is surely free of the threaded wall, mm."""
    free = INSIDE * min(float(hole["diameter"]), bolt.row.thread_diameter)
    return 2.0 * INSIDE * min(free, float(hole["free"]))


def joint_of(finding: Finding, bolt: Bolt, about: View) -> tuple[Joint, list[Claim]]:
    """The joint in figures; and the claim on what lies beyond its end."""
    details: Any = finding.details
    grip, hole, claims = details["grip"], details["hole"], []
    air = [float(row["air"]) for row in grip["joints"]]
    loose = float(details["seat"]["sagitta"])
    less = loose - math.fsum(min(one, 0.0) for one in air)
    more = loose + math.fsum(max(one, 0.0) for one in air)
    last = grip["layers"][-1]
    slack = float(last["slack"]) + (float(last["spread"]) if hole is None else 0.0)
    tapped = hole if hole is not None and hole["kind"] == "thread" else None
    beyond = None
    told = details["figures"].get("tip")
    first = _beyond(bolt, about, grip, hole)
    if told is not None:
        end = bolt.entry.length - bolt.entry.washer
        value = first - end
        holds = abs(value - float(told["value"])) <= DEPTH
        claims.append(confirm("metal beyond its end", holds, f"{first:.6f} mm below the seat"))
        # How much nearer or farther it may truly be is told, and only held against the value.
        bare = Joint(bolt.entry, bolt.row, bolt.table, 0.0, 0.0, less, more, None, (end, end, end))
        _, low, high, _ = bare.figures(bolt.entry.length)["tip"]
        near, far = float(told["low"]) - low, float(told["high"]) - high
        beyond = (first, min(near + end, first), max(far + end, first))
    elif math.isfinite(first):
        claims.append(confirm("metal beyond its end", False, f"{first:.6f} mm below the seat"))
    joint = Joint(
        bolt.entry,
        bolt.row,
        bolt.table,
        float(grip["thickness"]),
        slack,
        less,
        more,
        tapped,
        beyond,
    )
    return joint, claims


def _beyond(bolt: Bolt, about: View, grip: Any, hole: Any) -> float:
    """Depth of the first metal beyond a hole that goes through, or a nut; inf where none is."""
    radius = 0.5 * bolt.row.thread_diameter
    high = bolt.entry.length + 10.0 * bolt.row.thread_diameter + 20.0
    parts = list(about.parts)
    if hole is None:
        floor = float(grip["layers"][-1]["bottom"]) + LIFT
        found = about.lowest(radius, floor, parts)[0]
    elif hole["kind"] != "thread" or hole["blind"]:
        return math.inf
    else:
        floor = float(hole["pieces"][-1][1]) + LIFT
        own = grip["into"]
        found = min(
            about.lowest(radius, floor, [name for name in parts if name != own])[0],
            about.lowest(inside(bolt, hole), floor, [own])[0],
        )
    return found if found < high - NEAR else math.inf


def figures_of(finding: Finding, bolt: Bolt, joint: Joint) -> Iterator[Claim]:
    """Every figure reckoned anew, the one that decides, and the lengths that work."""
    details: Any = finding.details
    mine, wrong = joint.figures(bolt.entry.length), []
    for name in sorted(set(mine) | set(details["figures"])):
        told = details["figures"].get(name)
        if told is None or name not in mine:
            wrong.append(f"{name} is told by one alone")
            continue
        keys = ("value", "low", "high", "least")
        off = max(abs(a - float(told[key])) for a, key in zip(mine[name], keys, strict=True))
        if off > DEPTH:
            wrong.append(f"{name} differs by {off:.6f} mm")
    yield confirm("figures", not wrong, "; ".join(wrong) or ", ".join(mine))
    quantity = finding.quantity
    if quantity is not None and NAMES[quantity.name] in mine:
        value, low, high, least = mine[NAMES[quantity.name]]
        off = max(abs(value - quantity.value), abs(low - quantity.low), abs(high - quantity.high))
        yield confirm("value", off <= DEPTH, f"{value:.6f} ({low:.6f} .. {high:.6f}) mm")
        yield from limit(finding, round(least, 6))
    elif quantity is not None:
        yield confirm("value", False, f"there is no figure for {quantity.name}")
    missed = [name for name, (_, low, _, least) in mine.items() if low < least - DEPTH]
    failed = [name for name, (_, _, high, least) in mine.items() if high < least + DEPTH]
    hole, grip = details["hole"], details["grip"]
    off_axis = float(bolt.table.get("off_axis", OFF_AXIS))
    if hole is not None and hole["kind"] != "thread":
        missed.append("hole")
        failed.append("hole")
    elif hole is not None and float(hole["offset"]) > off_axis:
        missed.append("offset")
        failed.append("offset")
    if float(grip["shank_room"]["low"]) < 0.0:
        missed.append("shank's way")
        failed += ["shank's way"] * (float(grip["shank_room"]["read"]) < 0.0)
    if bolt.entry.nut is None and least_engagement(bolt.entry, bolt.row) is None:
        missed.append("engagement is not given")
    if finding.verdict is Verdict.PASS:
        yield confirm("nothing missed", not missed, ", ".join(missed) or "all figures are met")
    elif finding.verdict is Verdict.FAIL:
        yield confirm("something fails", bool(failed), ", ".join(failed) or "no figure does")
    lengths = joint.lengths()
    told = details["lengths"]
    said = (told["shortest"], told["longest"], told["standard"])
    words = ", ".join("none" if one is None else f"{one:g}" for one in lengths)
    yield confirm("lengths that work", lengths == said, words)
