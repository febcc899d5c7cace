"""A bolt with what stands about it, and room round cylinders and a hand on its axis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from geomcheck.finding import Finding, Verdict
from geomcheck.standards import hands
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.axis import View
from geomcheck.verify.fasten.bolts import Bolt, limit, met, witness_on
from geomcheck.verify.fasten.swing import Swing, blades
from geomcheck.verify.fasten.toolset import Row, Tool
from geomcheck.verify.scene import Scene


@dataclass(frozen=True, eq=False)
class Asked:
    """A bolt, what stands about it, and how far the check was told to look."""

    scene: Scene
    finding: Finding
    bolt: Bolt
    about: View
    within: float

    @property
    def room(self) -> float:
        """Room wanted round the tool, mm."""
        return self.bolt.entry.room

    def standing(self, tool: Tool) -> list[Row]:
        """Rows as they are swept, mm above the stated seat point."""
        stroke = 0.0 if tool.aside > 0.0 else self.bolt.row.head_height
        return self.rows((*tool.base, *tool.rows), self.bolt.rest, stroke)

    def rows(self, rows: Any, foot: float, stroke: float) -> list[Row]:
        """Rows from a height up, with the way they are lifted, above where looking begins."""
        start = self.bolt.start
        swept = [(max(foot + a, start), foot + b + stroke, d) for a, b, d in rows]
        return [row for row in swept if row[1] > start]

    def stands(self, rows: list[Row], *, loose: bool = False) -> float:
        """Room round rows: least over all triangles; inside a part it is the first row's radius.

        What a row touches at its foot counts, but for where looking begins.
        """
        least = min(
            self.about.nearest(a + (1e-6 if a <= self.bolt.start else -1e-6), b, loose=loose)[0]
            - 0.5 * d
            for a, b, d in rows
        )
        if least > 0.0 and self.about.holder(rows[0][0]) is not None:
            return -0.5 * rows[0][2]
        return least

    def swing(self, tool: Tool) -> Swing:
        """The tool's handle, with the room wanted round it."""
        stroke = 0.0 if tool.aside > 0.0 else self.bolt.row.head_height
        bars = [one.grown(self.room) for one in blades(tool, self.bolt.rest, stroke)]
        return Swing(self.about, bars, self.bolt.start)


def hand_room(asked: Asked) -> Iterator[Claim]:
    """Room round a hand that holds the head from above, on its way down by the bolt's length."""
    finding, bolt, quantity = asked.finding, asked.bolt, asked.finding.quantity
    assert quantity is not None
    hand = hands()[0]
    around = bolt.row.head_diameter + 2.0 * hand.finger
    top = hand.finger_reach + hand.length
    profile = (
        (0.0, hand.finger_reach, around),
        (hand.finger_reach, top, max(hand.width, around)),
    )
    grip = bolt.height + bolt.entry.washer + 0.5 * bolt.row.head_height
    rows = asked.rows(profile, grip, bolt.entry.length)
    room = min(asked.stands(rows), asked.within)
    yield from limit(finding, 0.0)
    words = f"{room:.6f} mm against {quantity.value:.6f} mm"
    yield confirm("room over all parts", abs(room - quantity.value) <= bolt.near, words)
    place = met(asked.scene, finding)
    if place is not None:
        yield witness_on(
            asked.scene, finding, bolt, place, inside=room > quantity.value + bolt.near
        )
    if finding.verdict is Verdict.UNDECIDED:
        yield left_open("a tool", "the hand's room decides; tools are not asked again")
