"""A part laid on another by patches: closest points, done anew.

Point to plane as Y. Chen and G. Medioni, Image and Vision Computing 10 (1992) 145, with the worst
share of the pairs left out. The pairs that count are those the project file's reference names: in
reach, upright on a facet that faces as the patch does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geomcheck.project.entries import PatchEntry, RefineEntry
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import moved, nearest
from geomcheck.verify.plain.place import turned
from geomcheck.verify.plain.simple import FloatArray, IntArray

#: A corner that moves by less than this (mm) in a round has settled.
SETTLED = 1e-7
#: Cosine of the greatest angle between a pair, or the patch, and the facet's normal.
UPRIGHT = 0.7
#: Pairs kept, at least.
FEW = 6
#: What the two routes' placements may differ by, mm: each stops when it hardly moves.
SLACK = 1e-3


@dataclass(frozen=True, slots=True)
class Laid:
    """How a part came to lie.

    Parameters
    ----------
    matrix : (4, 4) float64
        After its first placement.
    rms : float
        Of the pairs kept, mm.
    kept, points : int
        Pairs used, of how many corners.
    moved : float
        Greatest way of a patch's corner, mm.
    centre : (3,) float64
        Middle of the pairs kept, mm.
    """

    matrix: FloatArray
    rms: float
    kept: int
    points: int
    moved: float
    centre: FloatArray


def lay(part: Body, entry: RefineEntry, on: Body) -> Laid | None:
    """Lay a part, as first placed, on another; None where it does not settle."""
    points, facing = _corners(part, entry.patches)
    total = np.eye(4)
    for _ in range(20 * entry.rounds):
        here = moved(total, points)
        found = _pairs(here, facing @ total[:3, :3].T, entry, on)
        if found is None:
            return None
        rows, normal, off = found
        centre = here[rows].mean(axis=0)
        system = np.hstack([np.cross(here[rows] - centre, normal), normal])
        step = _motion(np.linalg.lstsq(system, -off, rcond=None)[0], centre)
        total = step @ total
        if float(np.linalg.norm(moved(step, here) - here, axis=1).max()) < SETTLED:
            break
    here = moved(total, points)
    found = _pairs(here, facing @ total[:3, :3].T, entry, on)
    if found is None:
        return None
    rows, _, off = found
    way = float(np.linalg.norm(here - points, axis=1).max())
    return Laid(
        total, float(np.sqrt((off**2).mean())), len(off), len(points), way, here[rows].mean(axis=0)
    )


def _corners(part: Body, patches: tuple[PatchEntry, ...]) -> tuple[FloatArray, FloatArray]:
    """Corners in the patches, a corner once for each patch that holds it, and normals there."""
    number = part.edges.corner
    place = np.zeros((int(number.max()) + 1, 3))
    place[number.ravel()] = part.triangles.reshape(-1, 3)
    a, b, c = (part.triangles[:, k] for k in range(3))
    total = np.zeros_like(place)
    np.add.at(total, number.ravel(), np.repeat(np.cross(b - a, c - a), 3, axis=0))
    length = np.linalg.norm(total, axis=1)
    total /= np.where(length > 0.0, length, 1.0)[:, None]
    rows = np.concatenate([np.flatnonzero(_within(patch, place)) for patch in patches])
    return place[rows], total[rows]


def _within(patch: PatchEntry, points: FloatArray) -> np.ndarray:
    if patch.at is not None and patch.radius is not None:
        return np.asarray(((points - patch.at) ** 2).sum(axis=1) <= patch.radius**2)
    low, high = np.asarray(patch.low), np.asarray(patch.high)
    return np.asarray(((points >= low) & (points <= high)).all(axis=1))


def _pairs(
    here: FloatArray, facing: FloatArray, entry: RefineEntry, on: Body
) -> tuple[IntArray, FloatArray, FloatArray] | None:
    """Rows of the corners that count, the facets' normals and the distances along them."""
    distance, triangle, foot = nearest(here, on.bundles, entry.within)
    normal = on.normals[triangle]
    off = np.einsum("ij,ij->i", here - foot, normal)
    good = np.isfinite(distance)
    good &= np.abs(off) >= UPRIGHT * np.where(good, distance, 0.0) - 1e-9
    good &= np.abs(np.einsum("ij,ij->i", facing, normal)) >= UPRIGHT
    rows = np.flatnonzero(good)
    if len(rows) < max(FEW, 0.5 * len(here)):
        return None
    rank = rows[np.argsort(np.abs(off[rows]), kind="stable")]
    rows = np.sort(rank[: max(int(np.ceil((1.0 - entry.trim) * len(rank))), FEW)])
    return np.asarray(rows), normal[rows], off[rows]


def _motion(motion: FloatArray, centre: FloatArray) -> FloatArray:
    """Rotation vector about a centre and a shift, as a matrix; the rotation by its quaternion."""
    angle = float(np.linalg.norm(motion[:3]))
    out = np.eye(4)
    if angle > 0.0:
        out[:3, :3] = turned(motion[:3], np.degrees(angle))
    out[:3, 3] = centre - out[:3, :3] @ centre + motion[3:]
    return out
