"""Re-check of placements by datum points and by patches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from scipy.stats import t as student

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import Place
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.plain.laid import SLACK
from geomcheck.verify.plain.place import best_fit
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import closeness

#: Figures of two fits to the same points agree to this, mm.
CLOSE = 1e-4
#: mm allowed, and per cent of scale, unless the project file says otherwise.
RESIDUAL, SCALE_LIMIT = 1.0, 1.0


def standing(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Residuals of datum points by a fit of its own, or patches laid anew."""
    table: Any = scene.project.document.check.get("part-placed", {})
    need = finding.requirement
    if need is not None:
        limit = float(table.get("residual", RESIDUAL))
        words = f"{need.limit:g} mm; the project says {limit:g} mm"
        yield confirm("limit", need.limit == limit, words)
    if "patch_rms" in finding.details:
        yield from _laid(scene, finding)
        return
    place = _place(scene, finding)
    if place is None or not place.datums:
        yield confirm("datum points", False, "the project file places it otherwise")
        return
    yield from _datums(scene, finding, place, float(table.get("scale_limit", SCALE_LIMIT)))


def _place(scene: Scene, finding: Finding) -> Place | None:
    if finding.subject == f"vehicle {finding.vehicle}":
        vehicles = scene.project.document.vehicles
        return next((one.place for one in vehicles if one.name == finding.vehicle), None)
    return scene.entry(finding.vehicle, finding.subject)[0].place


def _datums(scene: Scene, finding: Finding, place: Place, most: float) -> Iterator[Claim]:
    points = np.array([pair.part for pair in place.datums])
    targets = np.array([pair.at for pair in place.datums])
    told = finding.details
    turn, shift = best_fit(points, targets)
    off = np.linalg.norm(points @ turn.T + shift - targets, axis=1)
    given = np.array(told["residuals"], dtype=np.float64)
    same = len(given) == len(off) and bool(np.abs(off - given).max() <= CLOSE)
    yield confirm("residuals", same, ", ".join(f"{x:.3f}" for x in off) + " mm")
    rms = float(np.sqrt((off**2).mean()))
    yield confirm("rms", abs(rms - told["rms"]) <= CLOSE, f"{rms:.6f} mm")
    if finding.quantity is not None:
        worst = float(off.max())
        words = f"worst {worst:.6f} mm against {finding.quantity.value:.6f} mm"
        yield confirm("value", abs(worst - finding.quantity.value) <= CLOSE, words)
    p, q = points - points.mean(axis=0), targets - targets.mean(axis=0)
    square = float((p**2).sum())
    scale = float(((p @ turn.T) * q).sum()) / square
    yield confirm("scale", abs(scale - told["scale"]) <= 1e-5, f"{scale:.6f}")
    free = 3 * len(p) - 6
    left = float(((q - scale * p @ turn.T) ** 2).sum())
    slack = float(student.ppf(0.975, free - 1)) * np.sqrt(left / (free - 1))
    amount = max(float(slack), place.accuracy) / np.sqrt(square)
    holds = abs(amount - told["scale_amount"]) <= 1e-5 + 1e-3 * amount
    yield confirm("amount of the scale", holds, f"{amount:.6f}")
    if finding.quantity is None:
        sure = 100.0 * (abs(scale - 1.0) - amount)
        words = f"{sure:.3f} % off for certain, {most:g} % allowed"
        yield confirm("scale off", sure > most - 1e-3, words)
    mirror = np.array([-1.0, 1.0, 1.0])
    other, there = best_fit(points * mirror, targets)
    away = np.linalg.norm((points * mirror) @ other.T + there - targets, axis=1)
    turned = float(np.sqrt((away**2).mean()))
    words = f"RMS {turned:.6f} mm"
    yield confirm("mirrored", abs(turned - told["mirrored_rms"]) <= CLOSE, words)
    yield from _shown(scene, finding, targets if _of_vehicle(finding) else points, off)
    if _of_vehicle(finding) or scene.entry(finding.vehicle, finding.subject)[0].refine is None:
        yield from _amounts(scene, finding, place, p @ turn.T, targets, off)


def _of_vehicle(finding: Finding) -> bool:
    return finding.subject == f"vehicle {finding.vehicle}"


def _shown(scene: Scene, finding: Finding, points: FloatArray, off: FloatArray) -> Iterator[Claim]:
    """That the witness is the pair with the largest residual, where it now stands."""
    if len(finding.witnesses) != 1:
        yield confirm("witness", False, "the worst pair is wanted")
        return
    # Pairs whose residuals differ by no more than rounding are as bad as each other.
    places = list(points[off >= off.max() - CLOSE])
    if not _of_vehicle(finding):
        places = [scene.carried(finding.vehicle, finding.subject, place) for place in places]
    away = min(float(np.linalg.norm(place - finding.witnesses[0].point)) for place in places)
    near = CLOSE + closeness(scene, finding.vehicle, *finding.parts)
    yield confirm("witness", away <= near, f"{away:.6f} mm from the worst pair")


def _amounts(
    scene: Scene,
    finding: Finding,
    place: Place,
    arms: FloatArray,
    targets: FloatArray,
    off: FloatArray,
) -> Iterator[Claim]:
    """How far it may be off in its middle and at its worst corner, 95 %."""
    free = 3 * len(arms) - 6
    each = float(student.ppf(0.975, free)) * np.sqrt(float((off**2).sum()) / free)
    each = max(float(each), place.accuracy)
    inertia = np.eye(3) * float((arms**2).sum()) - arms.T @ arms
    middle = targets.mean(axis=0)
    corners = np.concatenate(
        [scene.triangles(finding.vehicle, name).reshape(-1, 3) for name in finding.parts]
    )
    corners = np.unique(corners, axis=0)
    centre = 0.5 * (corners.min(axis=0) + corners.max(axis=0))[None]
    if not _of_vehicle(finding):
        # The fit is stated where the part goes by it, not where its vehicle takes it on.
        corners, centre = (
            scene.before_vehicle(finding.vehicle, points, finding.subject)
            for points in (corners, centre)
        )
    told = finding.details
    for key, points in (
        ("amount_middle", centre),
        ("amount_greatest", corners),
    ):
        found = each * float(_spread(points - middle, inertia, len(arms)).max())
        holds = abs(found - told[key]) <= CLOSE + 1e-4 * found
        yield confirm(key.replace("_", " "), holds, f"{found:.6f} mm, {told[key]:.6f} mm told")


def _spread(arms: FloatArray, inertia: FloatArray, count: int) -> FloatArray:
    """(n,) greatest standard deviation of the way of places, for a unit scatter."""
    x, y, z = arms.T
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)
    turn = cross @ np.linalg.inv(inertia) @ cross.transpose(0, 2, 1)
    return np.asarray(np.sqrt(np.linalg.eigvalsh(turn + np.eye(3) / count)[:, -1]))


def _laid(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A part laid on another by patches: laid anew, by the same rules."""
    found = scene.laid(finding.vehicle, finding.parts[0])
    told, quantity = finding.details, finding.quantity
    rows: Sequence[tuple[str, float, float, float]] = (
        ("distance left on patches", found.rms, told["patch_rms"], SLACK),
        ("points of patches", found.points, told["patch_points"], 0.0),
        # A pair on the edge of the share left out may fall to either side.
        ("points kept", found.kept, told["patch_points_kept"], 1.0),
        ("moved", found.moved, told["moved"], 2.0 * SLACK),
    )
    for what, mine, theirs, slack in rows:
        yield confirm(what, abs(mine - theirs) <= slack, f"{mine:.6g}; {theirs:.6g} told")
    if quantity is not None:
        off = abs(quantity.value - found.rms)
        yield confirm("value", off <= SLACK, f"{found.rms:.6f} against {quantity.value:.6f} mm")
    for witness in finding.witnesses:
        away = float(np.linalg.norm(found.centre - witness.point))
        yield confirm("middle of the patches", away <= 2.0 * SLACK, f"{away:.6f} mm from it")
    if finding.verdict is Verdict.PASS:
        yield left_open("amounts", "how far a part laid on patches may be off is not worked out")
