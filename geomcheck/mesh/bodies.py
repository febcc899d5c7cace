"""Areas, volumes and bodies of a mesh, and how its bodies lie in one another."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import edges as kernel
from geomcheck.mesh.edges import EdgeTable

if TYPE_CHECKING:
    from geomcheck.mesh.tree import TriangleTree

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Facets of one body from which its surroundings are looked at.
SAMPLES = 8
#: A volume below this share of area times size is rounding (float32 corners give about 1e-7).
NO_VOLUME = 1e-7


def resolution(vertices: FloatArray) -> float:
    """Smallest altitude (mm) that corners stored as float32 can support, four steps of it."""
    largest = float(np.abs(vertices).max(initial=0.0))
    return 4.0 * float(np.spacing(np.float32(largest))) if largest < 1e38 else largest * 1e-6


class Shape:
    """Areas (mm2), volumes (mm3, signed, against the middle) and thinness of the triangles."""

    def __init__(self, points: FloatArray, corners: IntArray) -> None:
        low, high = points.min(axis=0), points.max(axis=0)
        self.size = float(np.linalg.norm(high - low))
        tri = points[corners]
        tri -= 0.5 * (low + high)
        self.triangles = tri
        side = tri[:, 1] - tri[:, 0]
        other = tri[:, 2] - tri[:, 0]
        normal = np.cross(side, other)
        self.volumes: FloatArray = np.einsum("ij,ij->i", tri[:, 0], normal) / 6.0
        doubled = np.sqrt(np.einsum("ij,ij->i", normal, normal))
        self.areas: FloatArray = 0.5 * doubled
        longest = np.maximum(np.einsum("ij,ij->i", side, side), np.einsum("ij,ij->i", other, other))
        other -= side
        np.maximum(longest, np.einsum("ij,ij->i", other, other), out=longest)
        self.zero_area = doubled <= resolution(points) * np.sqrt(longest)


def label_bodies(corners: IntArray, table: EdgeTable) -> tuple[IntArray, int]:
    """Body of each triangle (-1 for triangles that use a vertex twice), and their number."""
    label, _ = kernel.label_bodies(len(corners), table.order, table.start)
    collapsed = (
        (corners[:, 0] == corners[:, 1])
        | (corners[:, 1] == corners[:, 2])
        | (corners[:, 2] == corners[:, 0])
    )
    if not collapsed.any():
        return label, int(label.max()) + 1
    kept, fresh = np.unique(label[~collapsed], return_inverse=True)
    out = np.full(len(corners), -1, dtype=np.int64)
    out[~collapsed] = fresh
    return out, len(kept)


def surroundings(
    shape: Shape, label: IntArray, bodies: int
) -> tuple[list[int], list[int], list[int]]:
    """Bodies that face inwards in the open, that lie in the material of others, that are flat.

    Rays leave some facets of each body along their normals. The first triangle a ray meets tells
    where it began: in the open (nothing met, or a triangle facing the ray) or in material (met
    from behind). The outer side of every facet must be open; the inner side of a body of negative
    volume must be material, which makes it a cavity.

    Bodies whose surfaces cross count as in one another's material, found exactly.

    Returns
    -------
    stray, doubled, flat : list of int
        Body numbers. Flat ones enclose nothing; they are in neither of the other lists.
    """
    from geomcheck.mesh.query import first_hit
    from geomcheck.mesh.tree import TriangleTree

    order = np.argsort(label, kind="stable")
    order = order[np.searchsorted(label[order], 0) :]
    begin = np.searchsorted(label[order], np.arange(bodies + 1))
    volume = np.add.reduceat(shape.volumes[order], begin[:-1])
    area = np.add.reduceat(shape.areas[order], begin[:-1])
    flat = np.abs(volume) <= NO_VOLUME * area * shape.size
    picked: list[IntArray] = []
    for body in np.flatnonzero(~flat):
        mine = order[begin[body] : begin[body + 1]]
        sizeable = mine[shape.areas[mine] >= 0.5 * shape.areas[mine].max()]
        step = max(len(sizeable) // SAMPLES, 1)
        picked.append(sizeable[::step][:SAMPLES])
    facets = np.concatenate(picked)
    owner = label[facets]
    corners = shape.triangles[facets]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    tree = TriangleTree(shape.triangles)
    inverted = volume < 0.0
    side = np.where(inverted[owner], -1.0, 1.0)[:, None]
    # Off the facet itself by a little more than rounding can hide.
    start = corners.mean(axis=1) + side * normal * (1e-9 * shape.size)
    _, hit = first_hit(tree, start, side * normal)
    behind = np.zeros(len(facets), dtype=bool)
    met = hit >= 0
    struck = shape.triangles[hit[met]]
    facing = np.cross(struck[:, 1] - struck[:, 0], struck[:, 2] - struck[:, 0])
    behind[met] = np.einsum("ij,ij->i", facing, (side * normal)[met]) > 0.0
    looked = np.maximum(np.bincount(owner, minlength=bodies), 1)
    share = np.bincount(owner, weights=behind, minlength=bodies) / looked
    inverted &= ~flat
    stray = inverted & (share < 0.5)
    # What is met from behind is no material where the body met faces inwards itself.
    buried = behind.copy()
    buried[met] &= ~stray[label[hit[met]]]
    doubled = ~inverted & ~flat & (np.bincount(owner, weights=buried, minlength=bodies) > 0.0)
    doubled[_crossing([shape.triangles[order[b:e]] for b, e in pairwise(begin)])] = True
    return (
        np.flatnonzero(stray).tolist(),
        np.flatnonzero(doubled).tolist(),
        np.flatnonzero(flat).tolist(),
    )


def _crossing(bodies: list[FloatArray]) -> list[int]:
    """Bodies (each (k, 3, 3) corner points) whose surface goes through that of another."""
    import rtree.index

    from geomcheck.mesh.query import crossing_pairs
    from geomcheck.mesh.tree import TriangleTree

    def tree(number: int) -> TriangleTree:
        if number not in trees:
            trees[number] = TriangleTree(bodies[number])
        return trees[number]

    boxes = [np.concatenate([b.min(axis=(0, 1)), b.max(axis=(0, 1))]) for b in bodies]
    index = rtree.index.Index(properties=rtree.index.Property(dimension=3))
    for number, box in enumerate(boxes):
        index.insert(number, box)
    trees: dict[int, TriangleTree] = {}
    found: set[int] = set()
    for number, box in enumerate(boxes):
        for other in sorted(index.intersection(box)):
            if other <= number:
                continue
            if len(crossing_pairs(tree(number), tree(other))):
                found |= {number, other}
    return sorted(found)
