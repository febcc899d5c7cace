"""From what the project file says of movements to pairs of parts and motions."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fit.body import Body
from geomcheck.fit.motion import Element, Leg, Motion
from geomcheck.fit.motion_kinds import box, growth, shift, sweep, turn
from geomcheck.fit.motion_state import MovingGap
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.state import Gap
from geomcheck.mesh.part import Part
from geomcheck.mesh.placement import check_rigid, rigid
from geomcheck.project.assembly import Assembly
from geomcheck.project.doubts import doubted
from geomcheck.project.lines import Key
from geomcheck.project.movements import GrowthEntry, MovementEntry, WayPose
from geomcheck.project.values import Triple

#: Sizes of a part that its hinge, and its point that stays or leads, may lie from its middle.
FAR_HINGE, FAR_POINT = 0.75, 1.5
#: The class of neighbour that stands on the engine unless its entry says otherwise.
ON_ENGINE = "engine-mounted part"


@dataclass(frozen=True, slots=True, eq=False)
class MovingPair:
    """Two parts of which one moves.

    Parameters
    ----------
    moving, still : Part
    motion : Motion
    mates : tuple of str
        Mates between them: joined faces, which growth carries along.
    """

    moving: Part
    still: Part
    motion: Motion
    mates: tuple[str, ...]


def on_engine(assembly: Assembly, name: str) -> bool:
    """Whether a part rocks with the engine: the housing, what it carries, and what is said to."""
    entry = assembly.part_entries[name]
    if assembly.parts[name].role != "neighbour":
        return True
    return entry.on == "engine" or (entry.on is None and assembly.parts[name].kind == ON_ENGINE)


def moving_pairs(assembly: Assembly, key: Key, entry: MovementEntry) -> Iterator[MovingPair]:
    """Every pair of a part that moves and one that does not.

    Left out unless the entry names them: parts with ``gap = false``, and two neighbours, unless
    ``against`` names one of them: how the vehicle's own parts clear each other is not asked about
    standing still either.

    Raises
    ------
    ProjectError
        A part that moves is also to be kept clear of; faces that are mated would slide; a growth
        names parts that take no part; a hinge or a point is nowhere near its part; a pose is not
        rigid or a way is not told.
    """
    moved = _moved(assembly, entry)
    still = [name for name in assembly.parts if name not in moved]
    for position, name in enumerate(entry.against):
        if name in moved:
            assembly.refuse(
                (*key, "against", position),
                f"{name!r} moves in this movement, so it cannot move against itself",
                "Take it out of against, or out of what moves",
            )
    against = list(entry.against) or [name for name in still if _asked(assembly, name)]
    movers = [name for name in moved if name in entry.parts or _asked(assembly, name)]
    everyone = any(not growing.parts for growing in entry.growths)
    for position, growing in enumerate(entry.growths):
        for place, name in enumerate(growing.parts):
            if everyone and name in movers:
                assembly.refuse(
                    (*key, "growth", position, "parts", place),
                    f"{name!r} grows twice: here, and by the growth without parts",
                    "Give every growth its parts",
                )
            if name not in movers and name not in against:
                assembly.refuse(
                    (*key, "growth", position, "parts", place),
                    f"{name!r} grows, but is neither among what moves nor what is kept clear of",
                    f"Parts in question: {', '.join((*movers, *against))}",
                )
    _check_far(assembly, key, entry, movers)
    rigid_motion = _motion(assembly, key, entry)
    for mover in movers:
        for other in against:
            roles = {assembly.parts[mover].role, assembly.parts[other].role}
            if roles == {"neighbour"} and not entry.against:
                continue
            motion = _with_growth(entry, rigid_motion, mover, other)
            if motion is None:
                continue
            mates = tuple(
                mate.name for _, mate in assembly.mates if set(mate.parts) == {mover, other}
            )
            if mates and (rigid_motion is not None or entry.against):
                assembly.refuse(
                    key,
                    f"{mover} and {other} are joined by the mate {mates[0]!r}, and the movement "
                    f"takes only {mover} along",
                    f'Name {other} in parts, or set on = "engine" on it if it goes with the '
                    "engine; else drop the mate",
                )
            yield MovingPair(assembly.parts[mover], assembly.parts[other], motion, mates)


def _check_far(assembly: Assembly, key: Key, entry: MovementEntry, movers: list[str]) -> None:
    """Refuse a hinge, a point that stays or one that leads which is nowhere near its parts.

    Such a point is most often given in the vehicle's axes.
    """
    told: list[tuple[Key, Triple, Triple | None, tuple[str, ...]]] = []
    if entry.hinge is not None and not entry.hinge.far:
        told.append(((*key, "hinge"), entry.hinge.about, entry.hinge.axis, tuple(movers)))
    if entry.sweep is not None and not entry.sweep.far:
        told.append(((*key, "sweep"), entry.sweep.about, None, tuple(movers)))
    for number, growing in enumerate(entry.growths):
        if not growing.far:
            names = growing.parts or tuple(movers)
            told.append(((*key, "growth", number), growing.about, None, names))
    for where, point, axis, names in told:
        if not names:
            continue
        bounds = np.array([assembly.parts[name].bounds for name in names])
        low, high = bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)
        size = float(np.linalg.norm(high - low))
        away = 0.5 * (low + high) - np.asarray(point)
        if axis is not None:
            away = away - np.asarray(axis) * (away @ np.asarray(axis))
        distance = float(np.linalg.norm(away))
        what, most = ("point", FAR_POINT) if axis is None else ("axis", FAR_HINGE)
        if distance > most * size:
            assembly.refuse(
                (*where, "about"),
                f"the {what} lies {distance:.0f} mm from the middle of {', '.join(names)}, which "
                f"is {size:.0f} mm large",
                "Give it in the housing's axes, as the parts stand, not in the vehicle's or the "
                "file's; if it does lie there, add far = true",
            )


def _moved(assembly: Assembly, entry: MovementEntry) -> list[str]:
    if entry.parts:
        return list(entry.parts)
    if entry.group == "housing":
        return [part.name for part in assembly.ours]
    return [name for name in assembly.parts if on_engine(assembly, name)]


def _asked(assembly: Assembly, name: str) -> bool:
    return assembly.part_entries[name].gap


def _motion(assembly: Assembly, key: Key, entry: MovementEntry) -> Motion | None:
    """The movement without growth; None if there is only growth."""
    if entry.hinge is not None:
        hinge = entry.hinge
        return box([turn(hinge.axis, hinge.about, *hinge.angle, "hinge")])
    if entry.sweep is not None:
        try:
            poses = [_matrix(pose) for pose in entry.sweep.poses]
            return sweep(poses, entry.sweep.about)
        except InputError as error:
            assembly.refuse((*key, "sweep"), error.what, error.remedy)
    if entry.rock is None:
        return None
    elements: list[Element] = []
    for name, turning in zip(entry.rock.names, entry.rock.turns, strict=True):
        if turning.angle != (0.0, 0.0):
            elements.append(turn(turning.axis, turning.about, *turning.angle, name))
    for axis, name in enumerate("xyz"):
        low, high = getattr(entry.rock, name)
        if low != 0.0 or high != 0.0:
            elements.append(shift(np.eye(3)[axis], low, high, name))
    return box(elements)


def _matrix(pose: WayPose) -> np.ndarray:
    if pose.matrix is not None:
        return check_rigid(np.array(pose.matrix))
    return rigid([(t.axis, t.angle, t.about) for t in pose.turns], pose.move)


def _with_growth(
    entry: MovementEntry, motion: Motion | None, mover: str, other: str
) -> Motion | None:
    """What two parts do to each other; None if nothing."""
    growths = [
        *(_grown(g, mover, "moving") for g in entry.growths if not g.parts or mover in g.parts),
        *(_grown(g, other, "still") for g in entry.growths if other in g.parts),
    ]
    if motion is not None:
        return motion.with_growth(growths)
    return Motion((Leg(tuple(growths)),)) if growths else None


def _grown(entry: GrowthEntry, name: str, of: str) -> Element:
    low, high = entry.alphas
    return growth(
        entry.about,
        *entry.strain,
        name,
        "moving" if of == "moving" else "still",
        alpha=1e-6 * low if low == high else 0.0,
        drawn_at=entry.drawn_at,
    )


def doubts(
    assembly: Assembly,
    pair: MovingPair,
    gap: MovingGap,
    limit: float,
    shells: Collection[str],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What open meshes do not show that may matter in some pose: reasons, and what to do.

    Missing data is looked for where the parts stand, as far as the required gap and everything
    the movement may take from it.
    """
    bodies = Body.of(pair.moving), Body.of(pair.still)
    if gap.state not in ("apart", "touching") or all(body.kind == "closed" for body in bodies):
        return (), ()
    standing = Gap(
        distance=gap.quantity.value,
        state=gap.state,
        point_a=gap.at_rest,
        point_b=gap.still_at_rest,
        triangle_a=gap.triangle_moving,
        triangle_b=gap.triangle_still,
        depth=None,
        quantity=gap.quantity,
        direction=gap.direction,
    )
    names = pair.moving.name, pair.still.name
    pairing = Pairing.whole(*bodies)
    reach = limit + gap.travel
    found = doubted(assembly, standing, pairing, names, bodies, reach, shells)
    return found.undecided, found.remedies
