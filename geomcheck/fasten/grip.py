"""What stands under a bolt's head, from the seat to its end: layers, joints, hole, what is beyond.

Depths are mm below the seat, measured along the axis as the parts stand. The layers come from a
sample of rays (see ``layers``), the hole from sections of the facets (see ``bore``), the room of
the shank and the metal before the bolt's end from the exact kernels, over all triangles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten.bore import Bore, find_bore
from geomcheck.fasten.column import Column, depth_frame
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.joints import Gasket, Held, hold
from geomcheck.fasten.layers import AROUND, Stack, rings, see, stack
from geomcheck.fasten.near import LIFT, Near, first_metal, shank_room
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.seat import Seat
from geomcheck.standards.lengths import pitch

#: Least part of the rays under the head that must tell of the same layers.
AGREE = 0.5
#: Share of the threaded hole's diameter whose half is surely free of its wall.
WITHIN_WALL = 0.48
#: Metal in a hole less than this before its end is the end itself, mm.
MISSED = 0.01


@dataclass(frozen=True)
class Grip:
    """What a bolt clamps, and the hole it goes into.

    Parameters
    ----------
    stack : Stack
        Down to the part with the thread, or to the last one over the nut.
    joints : tuple of Held
    thickness : float
        From the seat to the face of the part with the thread, or of the nut, mm: metal, gaskets
        and air.
    slack : float
        How far that face may truly lie off, mm.
    into : str or None
        The part with the thread; None with a nut.
    bore : Bore or None
        The hole in it; None with a nut.
    shank : Near
        Room beside the shank in all parts above the thread; negative where it stands in metal.
    beyond : Near or None
        Depth of the first metal beyond a hole that goes through, or under a nut; None for a hole
        that ends in metal.
    looked : float
        Depth to which was looked, mm.
    """

    stack: Stack
    joints: tuple[Held, ...]
    thickness: float
    slack: float
    into: str | None
    bore: Bore | None
    shank: Near
    beyond: Near | None
    looked: float

    @property
    def closing(self) -> tuple[float, float]:
        """How much nearer to the seat the faces may come as the bolt is pulled tight, mm.

        The lower and upper end; a gasket without room gives a negative one.
        """
        air = [held.air for held in self.joints]
        return (
            math.fsum(min(value, 0.0) for value in air),
            math.fsum(max(value, 0.0) for value in air),
        )


def looking_depth(fastener: Fastener) -> float:
    """Depth below the seat to which is looked, mm: the bolt and room for a longer one."""
    return fastener.length + 10.0 * fastener.screw.thread_diameter + 20.0


def wide(fastener: Fastener) -> float:
    """Radius about the axis within which is looked, mm."""
    return max(AROUND) * fastener.head_radius + 0.1


def examine_grip(
    fastener: Fastener,
    parts: Sequence[Obstacle],
    *,
    seat: Seat,
    into: str | None = None,
    nut_height: float | None = None,
    gaskets: Sequence[Gasket] = (),
) -> Grip:
    """What a bolt clamps, and what it goes into.

    Parameters
    ----------
    fastener : Fastener
    parts : sequence of Obstacle
        All parts about the axis, from the seat down to :func:`looking_depth`.
    seat : Seat
        As found by ``examine_seat``.
    into : str or None
        The part with the thread, or that a nut bears on; looked for if not given: the part in
        which the bolt ends, or else the last one it passes; with a nut the last it passes.
    nut_height : float or None
        Height of its nut, mm; None for a thread in a part.
    gaskets : sequence of Gasket

    Raises
    ------
    InputError
        ``into`` is none of the parts.
    CannotDecide
        The layers differ round the head, a mesh on the way has no inside, or nothing is there.
    """
    if into is not None and into not in [part.name for part in parts]:
        raise InputError(
            f"{into} is nowhere under the head of {fastener.name}, as far as "
            f"{looking_depth(fastener):.1f} mm down its axis"
        )
    frame = depth_frame(fastener, seat.height)
    high = looking_depth(fastener)
    tip = fastener.length - fastener.washer
    columns = {p.name: Column.of(p, frame, wide(fastener), -2.0, high) for p in parts}
    _refuse_open(fastener, columns)
    inner, outer = rings(fastener)
    solid = [column for column in columns.values() if column.part.solid]
    under, around = see(solid, inner, high), see(solid, outer, high)
    # A nut sits on the far face of the last layer that leaves room for it.
    before = tip if nut_height is None else tip - nut_height
    found = stack(under, around, last=into, before=before)
    if into is None and nut_height is None:
        into = _threaded(fastener, found, columns)
        found = stack(under, around, last=into, before=before) if into else found
    if not found.layers or found.share < AGREE or (into and into != found.parts[-1]):
        raise _no_stack(fastener, found, into)
    joints = tuple(hold(fastener, joint, gaskets) for joint in found.joints)
    last = found.layers[-1]
    if nut_height is not None:
        return _with_nut(fastener, parts, frame, found, joints, nut_height)
    if not joints:
        raise CannotDecide(
            f"under the head of {fastener.name} there is only {last.part}: nothing is clamped",
            remedy="Say what it goes into, with into = ..., or correct its length",
        )
    bore = _bore(fastener, columns[last.part], last.top)
    others = [part for part in parts if part.name != last.part]
    own = [part for part in parts if part.name == last.part]
    end = max(min(bore.mouth, tip), 0.0)
    shank = min(
        shank_room(frame, others, fastener, tip),
        shank_room(frame, own, fastener, end - LIFT),
        key=lambda near: near.low,
    )
    after: Near | None = None
    if bore.kind == "thread":
        # Free of the threaded wall, and of a countersink at its far end.
        inside = min(WITHIN_WALL * min(bore.diameter, fastener.screw.thread_diameter), bore.free)
        inside *= WITHIN_WALL * 2.0
        # No triangle may stand in the hole, however thin: the sections could miss it.
        strike = first_metal(frame, own, inside, bore.start, high)
        if bore.start < strike.value < bore.end - MISSED:
            bore = bore.closed_at(strike.value)
        elif not bore.blind:
            radius = fastener.screw.thread_diameter / 2.0
            after = min(
                first_metal(frame, others, radius, bore.end + LIFT, high),
                first_metal(frame, own, inside, bore.end + LIFT, high),
                key=lambda near: near.low,
            )
    depth = joints[-1].joint.depth
    return Grip(found, joints, depth, last.slack, last.part, bore, shank, after, high)


def _with_nut(
    fastener: Fastener,
    parts: Sequence[Obstacle],
    frame: FloatArray,
    found: Stack,
    joints: tuple[Held, ...],
    height: float,
) -> Grip:
    last = found.layers[-1]
    if not math.isfinite(last.bottom):
        raise CannotDecide(
            f"{last.part} goes on under {fastener.name} farther than its length: there is no face "
            "for the nut",
            remedy="Say what it goes into, or correct its length",
        )
    high = looking_depth(fastener)
    shank = shank_room(frame, parts, fastener, last.bottom)
    radius = fastener.screw.thread_diameter / 2.0
    beyond = first_metal(frame, parts, radius, last.bottom + LIFT, high)
    slack = last.slack + last.spread
    return Grip(found, joints, last.bottom, slack, None, None, shank, beyond, high)


def _bore(fastener: Fastener, column: Column, top: float) -> Bore:
    return find_bore(
        column,
        fastener.screw.thread_diameter,
        pitch(fastener.screw).minor_external,
        top,
        looking_depth(fastener),
    )


def _threaded(fastener: Fastener, found: Stack, columns: Mapping[str, Column]) -> str | None:
    """The first part under the head, the one it sits on aside, with a hole for the thread."""
    for layer in found.layers[1:]:
        if _bore(fastener, columns[layer.part], layer.top).kind == "thread":
            return layer.part
    return found.parts[-1] if len(found.layers) > 1 else None


def _refuse_open(fastener: Fastener, columns: Mapping[str, Column]) -> None:
    inner = fastener.bearing_radius
    for name, column in columns.items():
        if column.part.solid or len(column) == 0:
            continue
        corners = column.corners
        near = np.hypot(corners[:, :, 0], corners[:, :, 1]).min(axis=1) <= inner
        between = (corners[:, :, 2].max(axis=1) > 0.0) & (
            corners[:, :, 2].min(axis=1) < fastener.length
        )
        if (near & between).any():
            raise CannotDecide(
                f"the mesh of {name} is not closed, so that what of it lies under the head cannot "
                "be told",
                remedy=f"Give {name} as a closed mesh",
            )


def _no_stack(fastener: Fastener, found: Stack, into: str | None) -> CannotDecide:
    if not found.layers:
        return CannotDecide(
            f"no part has metal under the head of {fastener.name}",
            remedy="Correct the seat point, the axis or the parts",
        )
    if into and into not in found.parts:
        return CannotDecide(
            f"{into} has no metal under the head of {fastener.name}: what lies there is "
            f"{', then '.join(found.parts)}",
            remedy="Correct into, the seat point or the axis",
        )
    return CannotDecide(
        f"the layers under the head of {fastener.name} differ round the axis: only "
        f"{100.0 * found.share:.0f} % of the rays meet {', then '.join(found.parts)}",
        remedy="Look at the faces under the head: they should be flat, and square to the axis",
    )
