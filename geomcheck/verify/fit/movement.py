"""Re-check of gaps while parts move: the worst pose, and poses sampled all over the movement."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.movements import MovementEntry
from geomcheck.verify.asked import moving_pairs
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit.gap import PAIRS
from geomcheck.verify.fit.poses import WRITTEN, Leg, legs_of
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import moved, nearest_below
from geomcheck.verify.plain.simple import FloatArray, distance_to
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import NEAR, closeness, on_part

#: Shares of the way from rest to the first contact at which nothing may touch.
BEFORE = (0.0, 0.25, 0.5, 0.75, 0.9, 0.99)


def movement(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """The least gap over a movement: its pose, its place, and that no sampled pose is worse."""
    entry = _entry(scene, finding)
    if finding.verdict is Verdict.NOT_APPLICABLE:
        yield from _nothing_asked(scene, finding, entry)
        return
    need = finding.requirement
    if need is not None:
        words = f"{need.limit:g} mm; the project says {entry.required:g} mm"
        yield confirm("limit", need.limit == entry.required, words)
    if finding.quantity is None:
        sound = finding.verdict is not Verdict.PASS
        yield (
            left_open("movement", "there is no value to re-check")
            if sound
            else confirm("movement", False, "a pass without a value")
        )
        return
    if len(finding.witnesses) != 3:
        yield confirm("witnesses", False, "three are wanted: as it stands, and two in the pose")
        return
    mover, still = finding.parts
    legs = legs_of(entry, mover, still)
    pose = {str(name): float(value) for name, value in finding.details["pose"].items()}
    leg = next((one for one in legs if {d.name for d in one.dials} == set(pose)), None)
    if leg is None:
        yield confirm("pose", False, f"the movement has no {', '.join(pose)}")
        return
    off = max(max(d.low - pose[d.name], pose[d.name] - d.high) for d in leg.dials)
    yield confirm("pose in its ranges", off <= WRITTEN, ", ".join(f"{v:g}" for v in pose.values()))
    yield from _place(scene, finding, leg, pose)
    value = finding.quantity.value
    bodies = (scene.body(finding.vehicle, mover), scene.body(finding.vehicle, still))
    if value > 0.0:
        yield _not_inside(bodies, leg)
        slack = NEAR + closeness(scene, finding.vehicle, mover, still)
        yield _no_worse(bodies, legs, leg, pose, _least(finding) - slack)
    elif finding.details.get("first_contact") is not None:
        yield from _first(finding, bodies, legs, entry.tolerance)


def _least(finding: Finding) -> float:
    """What the finding says of the meshes over all poses, mm: found, less what was not tried."""
    assert finding.quantity is not None
    left = sum(term.minus for term in finding.quantity.terms if term.name == "poses not tried")
    return float(finding.quantity.value - left)


def _place(scene: Scene, finding: Finding, leg: Leg, pose: Mapping[str, float]) -> Iterator[Claim]:
    """The witnesses where the parts stand and in the pose, and the value between them."""
    rest, there, still = finding.witnesses
    maps = dict(zip(finding.parts, leg.maps(pose), strict=True))
    bodies = {name: scene.body(finding.vehicle, name) for name in finding.parts}
    near = closeness(scene, finding.vehicle, *finding.parts)
    yield on_part(rest, bodies[rest.part].triangles, near=near)
    # Poses are written to a millionth: far from the axis that is more than for a point.
    reach = max(float(np.abs(body.bounds).max()) for body in bodies.values())
    slack = near + 3e-6 * reach
    told: Any = finding.details.get("maps", {})
    for name, matrix in maps.items():
        off = float(np.abs(np.array(told[name]) - matrix)[:3].max())
        yield confirm(f"map of {name}", off <= slack, f"{off:.6f} off the pose's own")
    away = float(np.linalg.norm(moved(maps[rest.part], np.array(rest.point)) - there.point))
    yield confirm("goes there", away <= slack, f"{away:.6f} mm from where the pose takes it")
    for witness in (there, still):
        at_rest = moved(_back(maps[witness.part]), np.array(witness.point))
        off = distance_to(at_rest, bodies[witness.part].triangles)
        yield confirm(f"witness on {witness.part}, in that pose", off <= slack, f"{off:.6f} mm off")
    assert finding.quantity is not None
    apart, value = float(np.linalg.norm(np.subtract(there.point, still.point))), 0.0
    value = finding.quantity.value
    touching = finding.details.get("state") == "touching" and max(apart, abs(value)) < 1e-3
    holds = abs(apart - abs(value)) <= NEAR or touching
    yield confirm("value in that pose", holds, f"{apart:.6f} mm against {abs(value):.6f} mm")
    if value < -NEAR:
        held = [
            bodies[other].closed
            and bodies[other].holds(moved(_back(maps[other]), np.array(witness.point)))
            for witness, other in ((there, still.part), (still, there.part))
        ]
        yield confirm("inside", any(held), f"{sum(held)} of the two points in the other's material")


def _relative(leg: Leg, pose: Mapping[str, float]) -> tuple[FloatArray, float]:
    """The moving part's map as seen from the still one, and how much that one has grown."""
    moving, still = leg.maps(pose)
    return _back(still) @ moving, float(np.cbrt(np.linalg.det(still[:3, :3])))


def _no_worse(
    bodies: tuple[Body, Body], legs: list[Leg], worst: Leg, pose: Mapping[str, float], least: float
) -> Claim:
    """That no pose of a grid over the movement brings the parts nearer than was told."""
    what, count = "no worse pose", 0
    corners = np.array(list(product(*bodies[0].bounds.T)))
    for leg in legs:
        poses = [*leg.grid(), *(leg.around(pose) if leg is worst else ())]
        for one in poses:
            matrix, grown = _relative(leg, one)
            found, complete = nearest_below(
                bodies[0].bundles, bodies[1].bundles, least / grown, PAIRS, matrix
            )
            count += 1
            if found is not None:
                where = ", ".join(f"{name} {value:.4g}" for name, value in one.items())
                return confirm(what, False, f"{found * grown:.6f} mm with {where}")
            if not complete:
                return left_open(what, f"more than {PAIRS} pairs of triangles may be nearer")
    far = max(leg.spacing(corners) for leg in legs)
    return confirm(
        what,
        True,
        f"sampled, not proved: none of {count} poses under {least:.4f} mm; the next of them is "
        f"nowhere farther than {far:.2f} mm",
    )


def _not_inside(bodies: tuple[Body, Body], leg: Leg) -> Claim:
    """That neither part holds the other where the movement rests; it cannot get in unseen."""
    matrix, _ = _relative(leg, leg.rest)
    held = 0
    if bodies[1].closed:
        held += sum(bodies[1].holds(point) for point in moved(matrix, bodies[0].pieces))
    if bodies[0].closed:
        back = moved(_back(matrix), bodies[1].pieces)
        held += sum(bodies[0].holds(point) for point in back)
    return confirm("neither inside the other", held == 0, f"{held} pieces in the other's material")


def _first(
    finding: Finding, bodies: tuple[Body, Body], legs: list[Leg], tolerance: float
) -> Iterator[Claim]:
    """That there is contact at the pose told, and none sampled on the way there from rest."""
    pose = {str(k): float(v) for k, v in finding.details["first_contact"].items()}
    number = next(
        (n for n, one in enumerate(legs) if {d.name for d in one.dials} == set(pose)), None
    )
    if number is None:
        yield confirm("first contact", False, f"the movement has no {', '.join(pose)}")
        return
    reach = max(float(np.abs(body.bounds).max()) for body in bodies)
    slack = NEAR + 3e-6 * reach
    matrix, grown = _relative(legs[number], pose)
    close = (tolerance + slack) / grown
    met, _ = nearest_below(bodies[0].bundles, bodies[1].bundles, close, PAIRS, matrix)
    words = "apart" if met is None else f"{met * grown:.6f} mm apart"
    yield confirm("first contact", met is not None, words)
    ways = [(leg, {**leg.rest, leg.dials[-1].name: leg.dials[-1].high}) for leg in legs[:number]]
    count, early = 0, None
    for leg, end in [*ways, (legs[number], pose)]:
        for share in BEFORE:
            here = {k: v + share * (end[k] - v) for k, v in leg.rest.items()}
            if here == end or (leg is legs[number] and share > 0.0 and leg.rest == end):
                continue
            matrix, _ = _relative(leg, here)
            found, _ = nearest_below(bodies[0].bundles, bodies[1].bundles, 1e-9, PAIRS, matrix)
            count += 1
            early = here if found is not None and early is None else early
    words = f"sampled: none at {count} poses on the way there"
    if early is not None:
        words = "contact with " + ", ".join(f"{name} {value:.4g}" for name, value in early.items())
    yield confirm("none before it", early is None, words)


def _nothing_asked(scene: Scene, finding: Finding, entry: MovementEntry) -> Iterator[Claim]:
    """That a movement has nothing to keep clear of, or carries a joined part along."""
    pairs = moving_pairs(scene.project, finding.vehicle, entry)
    if not finding.parts:
        yield confirm("nothing stays", not pairs, f"{len(pairs)} pairs by the project file")
        return
    mates = [mates for mover, other, mates in pairs if (mover, other) == finding.parts]
    told = list(finding.details.get("mates") or ())
    joined = bool(mates) and bool(mates[0]) and list(mates[0]) == told
    yield confirm("joined", joined, f"mates by the project file: {', '.join(*mates) or 'none'}")


def _entry(scene: Scene, finding: Finding) -> MovementEntry:
    for one in scene.project.document.movements:
        here = one.vehicle in (None, finding.vehicle)
        named = finding.subject in (f'movement "{one.name}"', _subject(one.name, finding.parts))
        if here and named:
            return one
    raise NotRechecked("the movement is not in the project file")


def _subject(name: str, parts: tuple[str, ...]) -> str:
    return f"{name}: {' / '.join(parts)}"


def _back(matrix: FloatArray) -> FloatArray:
    found: FloatArray = np.linalg.inv(matrix).astype(np.float64)
    return found
