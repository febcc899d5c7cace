"""What a declared mate takes out of a gap, worked out anew, and whether anything else is near.

Left out is a pair of points of which each lies behind its own mating face and within the outline:
the convex hull of the faces' common footprint, wider by the required gap and the tolerances. All
else is measured: triangles near each other are cut at the faces and at the outline.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from geomcheck.project.entries import MateEntry
from geomcheck.verify.fit.face import Face, Joint, find_joint
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import candidates
from geomcheck.verify.plain.simple import FloatArray, IntArray, triangles_apart
from geomcheck.verify.scene import Scene

#: Degrees out of parallel at which a mate does not hold.
PARALLEL = 1.0
#: What corners stored with seven digits may stand proud of their face, mm.
PROUD = 1e-3


def mates_of(scene: Scene, vehicle: str, names: Sequence[str]) -> list[str]:
    """Names of the mates that the project file declares between two parts."""
    return [
        one.name
        for one in scene.project.document.mates
        if set(one.parts) == set(names) and one.vehicle in (None, vehicle)
    ]


def left_out(
    scene: Scene, vehicle: str, parts: tuple[str, str], names: Sequence[str], required: float
) -> tuple[list[tuple[FloatArray, FloatArray]], list[str]]:
    """Half-spaces of each mate named, for both parts; and the mates that do not hold.

    Each pair of (h, 4) arrays says ``normal @ x <= offset`` of what may be left out of the first
    and of the second part.
    """
    a, b = parts
    regions, wrong = [], []
    for name in names:
        entry = next((m for m in scene.project.document.mates if m.name == name), None)
        if entry is None or set(entry.parts) != {a, b} or entry.vehicle not in (None, vehicle):
            wrong.append(str(name))
            continue
        bodies = [scene.body(vehicle, part) for part in entry.parts]
        joint = find_joint(bodies[0], bodies[1], entry)
        if isinstance(joint, str) or not holds(joint, entry):
            wrong.append(str(name))
            continue
        grow = required + entry.tolerance + _sagittas(scene, vehicle, parts)
        sides = _prism(joint, grow)
        pair = [
            np.vstack([_behind(body, face), sides])
            for body, face in zip(bodies, (joint.first, joint.second), strict=True)
        ]
        regions.append((pair[0], pair[1]) if entry.parts[0] == a else (pair[1], pair[0]))
    return regions, wrong


def holds(joint: Joint, entry: MateEntry) -> bool:
    """Whether two faces lie over each other, parallel and the gasket's thickness apart."""
    return (
        joint.footprint.area > 0.0
        and joint.angle <= PARALLEL
        and joint.departure <= entry.tolerance + 1e-6
    )


def _sagittas(scene: Scene, vehicle: str, parts: tuple[str, str]) -> float:
    """Declared chord errors of both parts, mm: their true rims may stand that much wider."""
    entries = [scene.entry(vehicle, name)[0] for name in parts]
    return float(sum(entry.sagitta or 0.0 for entry in entries))


def _behind(body: Body, face: Face) -> FloatArray:
    highest = float((body.triangles[face.rows] @ face.normal).max())
    return np.array([[*face.normal, highest + PROUD]])


def _prism(joint: Joint, grow: float) -> FloatArray:
    """Half-spaces over the footprint's hull, grown."""
    hull = shapely.convex_hull(joint.footprint).simplify(0.01).buffer(grow, quad_segs=6)
    ring = shapely.get_coordinates(shapely.convex_hull(hull).exterior)
    if not shapely.is_ccw(shapely.linearrings(ring)):
        ring = ring[::-1]
    step = np.diff(ring, axis=0)
    outward = np.stack([step[:, 1], -step[:, 0]], axis=1)
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    normals = outward @ joint.frame
    offsets = np.einsum("ij,ij->i", outward, ring[:-1]) + normals @ joint.origin
    return np.column_stack([normals, offsets])


def nearest_beside(
    a: Body,
    b: Body,
    regions: Sequence[tuple[FloatArray, FloatArray]],
    limit: float,
    budget: int,
) -> tuple[float | None, bool]:
    """Least distance below ``limit`` that no mate explains, and whether the search is complete."""
    inside = [
        whole_flags(body.triangles, [pair[k] for pair in regions])[0]
        for k, body in enumerate((a, b))
    ]
    rows: list[set[int]] = [set(), set()]
    measured = 0
    for tri, i, j in candidates(a.bundles, b.bundles, limit):
        numbers = a.bundles.number[i], b.bundles.number[j]
        open_pairs = (inside[0][numbers[0]] & inside[1][numbers[1]]) == 0
        measured += int(open_pairs.sum())
        if measured > budget:
            return None, False
        near = np.flatnonzero(open_pairs)
        near = near[triangles_apart(tri[near], b.bundles.triangles[j[near]]) < limit]
        rows[0].update(numbers[0][near].tolist())
        rows[1].update(numbers[1][near].tolist())
    if not rows[0]:
        return None, True
    pieces = [
        cut(body.triangles[sorted(mine)], [pair[k] for pair in regions])
        for k, (body, mine) in enumerate(zip((a, b), rows, strict=True))
    ]
    least = np.inf
    for tri, flag in zip(*pieces[0], strict=True):
        other = pieces[1][0][(pieces[1][1] & flag) == 0]
        if len(other):
            least = min(
                least, float(triangles_apart(np.broadcast_to(tri, other.shape), other).min())
            )
    return (least if least < limit else None), True


def whole_flags(
    triangles: FloatArray, regions: Iterable[FloatArray]
) -> tuple[IntArray, NDArray[np.bool_]]:
    """Bit k of each triangle: all of it lies in region k; and whether one cuts through it."""
    flags = np.zeros(len(triangles), dtype=np.int64)
    across = np.zeros(len(triangles), dtype=bool)
    for number, planes in enumerate(regions):
        rows = np.arange(len(flags))
        cut_rows = np.zeros(len(flags), dtype=bool)
        for plane in planes:
            height = triangles[rows] @ plane[:3] - plane[3]
            cut_rows[rows[height.max(axis=1) > 0.0]] = True
            rows = rows[height.min(axis=1) < 0.0]
        # What one plane has wholly in front of it is out of the region.
        partly = np.zeros(len(flags), dtype=bool)
        partly[rows] = cut_rows[rows]
        across |= partly
        flags[rows[~cut_rows[rows]]] |= 1 << number
    return flags, across


def cut(triangles: FloatArray, regions: Sequence[FloatArray]) -> tuple[FloatArray, IntArray]:
    """Triangles cut at the regions' planes, and the regions (bits) that each piece lies in."""
    pieces = [(triangle, 0) for triangle in triangles]
    for number, planes in enumerate(regions):
        done: list[tuple[FloatArray, int]] = []
        for polygon, flag in pieces:
            rest: FloatArray | None = polygon
            for plane in planes:
                if rest is None:
                    break
                rest, out = _split(rest, plane)
                if out is not None:
                    done.append((out, flag))
            if rest is not None:
                done.append((rest, flag | 1 << number))
        pieces = done
    fans = [
        (polygon[[0, k, k + 1]], flag)
        for polygon, flag in pieces
        for k in range(1, len(polygon) - 1)
    ]
    if not fans:
        return np.zeros((0, 3, 3)), np.zeros(0, dtype=np.int64)
    return np.array([fan for fan, _ in fans]), np.array([flag for _, flag in fans], dtype=np.int64)


def _split(polygon: FloatArray, plane: FloatArray) -> tuple[FloatArray | None, FloatArray | None]:
    """A convex polygon's parts on and behind a plane, and in front of it."""
    height = polygon @ plane[:3] - plane[3]
    if height.max() <= 0.0:
        return polygon, None
    if height.min() >= 0.0:
        return None, polygon
    sides: list[list[FloatArray]] = [[], []]
    for k, (p, h) in enumerate(zip(polygon, height, strict=True)):
        q, g = polygon[(k + 1) % len(polygon)], height[(k + 1) % len(polygon)]
        if h <= 0.0:
            sides[0].append(p)
        if h >= 0.0:
            sides[1].append(p)
        if h * g < 0.0:
            at = p + h / (h - g) * (q - p)
            sides[0].append(at)
            sides[1].append(at)
    behind, front = (np.array(side) if len(side) > 2 else None for side in sides)
    return behind, front
