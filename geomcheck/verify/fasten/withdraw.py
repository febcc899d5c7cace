"""Re-check of drawing a bolt: the lowest metal over its head, about its shank and under its tip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.fasten.axis import View
from geomcheck.verify.fasten.bolts import Bolt, limit, met, seated, within_sagitta, witness_on
from geomcheck.verify.fasten.way import way_in
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: Metal that a radius just grazes may count or not, mm.
GRAZE = 1e-5
#: Heights agree to this, mm: they are found by halving, where a part lies as near as it was laid.
HEIGHT = 1.5e-3
#: Metal farther from the shank than this is not looked for, mm.
BESIDE = 10.0


@dataclass(frozen=True)
class Between:
    """A length that may lie between two, as metal just grazes or does not, mm."""

    low: float
    high: float

    def agrees(self, value: float) -> bool:
        """Whether a value told of is this length."""
        return self.low - HEIGHT <= value <= self.high + HEIGHT

    def less(self, other: Between) -> Between:
        """The difference."""
        return Between(self.low - other.high, self.high - other.low)

    def told(self) -> str:
        """As text."""
        return f"{self.low:.6f} mm"


@dataclass(frozen=True, eq=False)
class Drawn:
    """The lengths of one bolt on its way in and out."""

    bolt: Bolt
    about: View
    ours: Sequence[str]
    every: Sequence[str]

    def travel(self, names: Sequence[str], *, loose: bool = False) -> Between:
        """Free travel of head and washer in some parts; inf where nothing stands over them."""
        bolt = self.bolt
        if self.about.holder(bolt.start, names) is not None:
            least = bolt.start - bolt.height - bolt.top
            return Between(least, least)
        stack = [(0.5 * bolt.row.head_diameter, bolt.top)]
        if bolt.entry.washer > 0.0:
            stack.append((bolt.washer_radius, bolt.entry.washer))
        found = []
        for graze in (GRAZE, -GRAZE):
            heights = [
                self.about.lowest(radius + graze, bolt.start + 1e-6, names, loose=loose)[0] - top
                for radius, top in stack
            ]
            found.append(min(heights) - bolt.height)
        return Between(*found)

    def shank(self, names: Sequence[str]) -> Between:
        """Room about the shank in the parts it passes freely."""
        bolt = self.bolt
        depth = bolt.entry.length - bolt.entry.washer
        passed = [name for name in self.passed if name in names]
        if depth <= 0.0 or not passed:
            return Between(BESIDE, BESIDE)
        radius = 0.5 * bolt.row.thread_diameter
        if self.about.holder(bolt.height - min(0.5, 0.5 * depth), passed) is not None:
            return Between(-radius, -radius)
        room = self.about.nearest(bolt.height - depth, bolt.height, passed)[0] - radius
        return Between(min(room, BESIDE), min(room, BESIDE))

    @property
    def passed(self) -> Sequence[str]:
        """Parts that the shank passes freely: all but the one with its thread."""
        entry = self.bolt.entry
        if entry.nut is not None:
            return self.every
        if entry.into is not None:
            return [name for name in self.every if name != entry.into]
        return [entry.part] if entry.load == "first" else []

    def lift(self) -> Between:
        """How far it stands raised with its tip on the vehicle's metal; 0 where it meets none."""
        bolt = self.bolt
        tip = max(bolt.entry.length - bolt.entry.washer, 0.0)
        theirs = [name for name in self.every if name not in self.ours]
        down = View(
            {name: self.about.bodies[name] for name in theirs},
            bolt.point(bolt.height),
            -bolt.axis,
            bolt.hole_radius + 1.0,
        )
        into = "" if bolt.entry.nut is not None else bolt.entry.into
        found = []
        for graze in (-GRAZE, GRAZE):
            least = tip
            for name in theirs:
                thread = into is None or name == into
                radius = bolt.hole_radius if thread else 0.5 * bolt.row.thread_diameter
                least = min(least, down.lowest(radius + graze, 0.0, [name])[0])
            found.append(tip - least)
        return Between(*found)


def withdraw(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Drawing a bolt: its travel in place and on the bench, its shank, where it stands raised."""
    bolt = Bolt.of(scene, finding)
    yield from seated(scene, finding, bolt)
    details: Any = finding.details
    if "travel" not in details:
        wrong = finding.verdict is not Verdict.PASS and details["seat"]["state"] != "seated"
        yield confirm("no seat", wrong, f"{finding.verdict}, {details['seat']['state']}")
        return
    yield from _sizes(finding, bolt)
    drawn = _drawn(scene, finding, bolt)
    bench = drawn.ours if bolt.entry.part in drawn.ours else drawn.every
    needed = bolt.entry.length + float(bolt.table.get("margin", 0.0))
    here, alone = drawn.travel(drawn.every), drawn.travel(bench)
    shank, lift = drawn.shank(drawn.every), drawn.lift()
    over = here.less(lift)
    yield _length("travel in place", here, details["travel"], "read")
    yield _length("travel on the bench", alone, details["bench"], "read")
    yield _length("room about the shank", shank, details["shank"], "room")
    holds = lift.agrees(float(details["raised"]["lift"]))
    yield confirm("raised by", holds, f"{lift.told()} against {details['raised']['lift']:.6f} mm")
    first = bolt.entry.load == "first"
    asked = {
        "free travel": (alone if first else here, needed),
        "room about the shank": (shank, 0.0),
        "room over the raised head": (over, 0.0),
    }
    yield from _value(scene, finding, drawn, asked, bench)
    wanted = ["free travel", "room about the shank", *(["room over the raised head"] * first)]
    good = all(asked[name][0].high >= asked[name][1] - HEIGHT for name in wanted)
    short = any(asked[name][0].low < asked[name][1] + HEIGHT for name in wanted)
    if finding.verdict is not Verdict.UNDECIDED:
        holds = good if finding.verdict is Verdict.PASS else short
        told = [(name, *asked[name]) for name in wanted]
        words = ", ".join(f"{name} {length.told()} of {least:g}" for name, length, least in told)
        yield confirm("verdict from the lengths", holds, words)
    in_place = (here, needed), (shank, 0.0)
    on_bench = (alone, needed), (drawn.shank(bench), 0.0), (over, 0.0)
    yield _way(str(details["way"]), in_place, on_bench)
    if finding.verdict is Verdict.PASS or "way_in" in details:
        top = bolt.top + bolt.entry.length
        places = [(bolt.point(height), bolt.axis) for height in (top + 1.0, 0.5 * top)]
        names = drawn.ours if first else drawn.every
        yield from way_in(scene, finding, bolt, places, names)


def _drawn(scene: Scene, finding: Finding, bolt: Bolt) -> Drawn:
    radius = max(0.5 * bolt.row.head_diameter, bolt.washer_radius, bolt.hole_radius + BESIDE)
    about = bolt.view(scene, finding, radius + 1.0)
    every = list(about.bodies)
    vehicle = finding.vehicle
    ours = [name for name in every if scene.entry(vehicle, name)[0].role != "neighbour"]
    return Drawn(bolt, about, ours, every)


def _sizes(finding: Finding, bolt: Bolt) -> Iterator[Claim]:
    """Head, washer and length as the tables and the project file have them."""
    told: Any = finding.details
    needed = bolt.entry.length + float(bolt.table.get("margin", 0.0))
    pairs = [
        (float(told["head_diameter"]), bolt.row.head_diameter),
        (float(told["washer_diameter"]), 2.0 * bolt.washer_radius),
        (float(told["needed"]), needed),
    ]
    holds = all(abs(a - b) <= NEAR for a, b in pairs)
    yield confirm("sizes of the bolt", holds, ", ".join(f"{b:g}" for _, b in pairs) + " mm")


def _length(what: str, found: Between, told: Any, key: str) -> Claim:
    """A length of the details; where nothing was met, that nothing is nearer than is said."""
    value = float(told[key])
    holds = found.high >= value - HEIGHT if told["at_least"] else found.agrees(value)
    more = "at least " if told["at_least"] else ""
    return confirm(what, holds, f"{found.told()} against {more}{value:.6f} mm")


def _value(
    scene: Scene, finding: Finding, drawn: Drawn, asked: dict[str, Any], bench: Sequence[str]
) -> Iterator[Claim]:
    """The length that decides: its value, its limit and the place that is met."""
    quantity, bolt = finding.quantity, drawn.bolt
    if quantity is None:
        return
    found, wanted = asked[quantity.name]
    if bolt.entry.load != "first" or quantity.name != "free travel":
        bench = drawn.every
    yield from limit(finding, wanted)
    words = f"{found.told()} against {quantity.value:.6f} mm"
    yield confirm("value", found.agrees(quantity.value), words)
    if quantity.name == "free travel":
        least = min(drawn.travel(bench, loose=True).low, found.low)
        yield within_sagitta(finding, bolt, least + HEIGHT)
    place = met(scene, finding)
    if place is None:
        yield confirm("what is met", not np.isfinite(found.high), "no place is shown")
        return
    height, off = bolt.off(place.point)
    inside = (
        drawn.about.holder_of(np.array(place.point), [place.part]) is not None and off <= bolt.near
    )
    yield witness_on(scene, finding, bolt, place, inside=inside)
    what = place.label.split()[0]
    if what == "shank":
        room = off - 0.5 * bolt.row.thread_diameter
        holds = abs(room - quantity.value) <= HEIGHT and height <= bolt.height + HEIGHT
        yield confirm("room at the witness", holds or inside, f"{room:.6f} mm")
        return
    radius, top = 0.5 * bolt.row.head_diameter, bolt.top
    if what == "washer":
        radius, top = bolt.washer_radius, bolt.entry.washer
    travel = height - bolt.height - top
    lengths = drawn.travel(bench)
    holds = lengths.agrees(travel) and off <= radius + HEIGHT
    yield confirm("travel to the witness", holds, f"{travel:.6f} mm, {off:.3f} mm off the axis")


def _way(told: str, in_place: Any, on_bench: Any) -> Claim:
    """How it goes in: in place, or loaded first; read from the meshes as they are."""

    def goes(pairs: Any, side: str) -> bool:
        more = HEIGHT if side == "high" else -HEIGHT
        return all(getattr(length, side) >= wanted - more for length, wanted in pairs)

    here, first = goes(in_place, "high"), goes(on_bench, "high")
    holds = {
        "in place": here,
        "load first": first and not goes(in_place, "low"),
        "no way": not goes(in_place, "low") and not goes(on_bench, "low"),
        "undecided": True,
    }.get(told, False)
    return confirm("way in or on the bench", holds, told)
