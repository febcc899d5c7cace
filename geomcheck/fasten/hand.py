"""Has a hand room to start a fastener's thread.

The hand is a rule of thumb (table ``hands``): fingertips beside the upper half of the head, a
closed hand above them, both round about the axis, from above. It holds the head from where the tip
of the thread is at its hole, so it moves down by the screw's length. A hand that reaches in from
the side is not looked at, so that a no is no proof.
"""

from __future__ import annotations

from typing import Any

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.stack import LIFT, WITHIN, Reach, Stack, stack_rooms
from geomcheck.fasten.tools import Tool
from geomcheck.standards import hands


def hand_room(
    fastener: Fastener,
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    within: float = WITHIN,
) -> Reach:
    """Room round a hand that holds a fastener by its head; see the module's rule.

    Parameters
    ----------
    fastener, obstacles, seat, lift, within
        As for ``reach``.

    Raises
    ------
    CannotDecide
        The hand lies below the place where looking begins.
    """
    stack = _stack(fastener)
    return stack_rooms(fastener, [stack], obstacles, seat=seat, lift=lift, within=within)[0]


def hand_span(fastener: Fastener) -> tuple[float, float]:
    """How high above the seat and how far from the axis a hand comes, mm."""
    _, standing, stroke = _stack(fastener)
    return standing[-1][1] + stroke, max(row[2] for row in standing) / 2.0


def _stack(fastener: Fastener) -> Stack:
    hand = hands()[0]
    row = fastener.screw
    around = row.head_diameter + 2.0 * hand.finger
    knuckles, top = hand.finger_reach, hand.finger_reach + hand.length
    profile = ((0.0, knuckles, around), (knuckles, top, max(hand.width, around)))
    tool = Tool("hand", "hand", row.drive, row.across_flats, profile, hand.status)
    grip = fastener.washer + 0.5 * row.head_height
    standing = [(grip + a, grip + b, d) for a, b, d in profile]
    return Stack(tool, standing, fastener.length)
