"""Find the corners of a hole or a port in a mesh; move them, or close the hole over."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.mesh.part import Part
from geomcheck.mesh.placement import apply, inverse
from geomcheck.prove.shape import rebuilt

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]

#: Beyond this from a feature that is moved nothing moves with it, mm.
FADE = 5.0


def moved(part: Part, share: FloatArray, move: FloatArray) -> Part:
    """The part with the corners of a feature moved, and those near it a part of the way.

    The share falls by a millimetre's move over :data:`FADE` with the distance from the feature, so
    that no facet is folded over another while the move is less than that.

    Parameters
    ----------
    part : Part
    share : (n,) float
        Of the move that each corner of the feature makes, 0 to 1; 0 for all others.
    move : (3,) float
        mm, housing frame.
    """
    points = part.vertices
    feature = np.flatnonzero(share > 0.0)
    low, high = points[feature].min(axis=0) - FADE, points[feature].max(axis=0) + FADE
    near = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1) & (share == 0.0))
    pairs = cKDTree(points[near]).sparse_distance_matrix(
        cKDTree(points[feature]), FADE, output_type="coo_matrix"
    )
    whole = share.copy()
    np.maximum.at(whole, near[pairs.row], share[feature[pairs.col]] - pairs.data / FADE)
    place = np.eye(4) if part.place is None else part.place
    shifted = points + whole[:, None] * move
    return rebuilt(part, apply(inverse(place), shifted), part.faces)


def joined(part: Part, among: BoolArray, start: BoolArray) -> BoolArray:
    """(n,) the corners among some that sides of triangles join, within them, to those of a start.

    Parameters
    ----------
    part : Part
    among, start : (n,) bool
    """
    sides = part.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    sides = sides[among[sides].all(axis=1)]
    count = len(part.vertices)
    ones = np.ones(len(sides), dtype=np.bool_)
    graph = coo_array((ones, (sides[:, 0], sides[:, 1])), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    found: BoolArray = among & np.isin(label, np.unique(label[start & among]))
    return found


def hole(part: Part, at: FloatArray, axis: FloatArray, radius: float, depth: float) -> BoolArray:
    """(n,) the corners of a round hole's wall, to where it ends or to a depth.

    Parameters
    ----------
    part : Part
    at, axis : (3,) float
        Middle of its mouth and unit vector out of it, housing frame.
    radius, depth : float
        mm; a facetted wall's corners may lie a little outside the radius its facets leave.
    """
    off = part.vertices - at
    height = off @ axis
    across = np.linalg.norm(off - height[:, None] * axis, axis=1)
    among = (across <= 1.1 * radius + 0.05) & (height <= 0.5) & (height >= -depth)
    return joined(part, among, among & (height >= -0.5))


def mouth(
    part: Part, ring: IntArray, normal: FloatArray, depth: float
) -> tuple[BoolArray, FloatArray]:
    """A port's wall from its edge in a flat face down to a depth, and how far down each corner is.

    Parameters
    ----------
    part : Part
    ring : (k,) int
        Corners of the port's edge.
    normal : (3,) float
        Unit normal of the face, out of the part.
    depth : float
        mm.

    Returns
    -------
    wall : (n,) bool
    down : (n,) float
        mm below the edge.
    """
    edge = np.zeros(len(part.vertices), dtype=np.bool_)
    edge[ring] = True
    down = float((part.vertices[ring] @ normal).mean()) - part.vertices @ normal
    # The face round the edge is left where it is.
    return joined(part, edge | ((down > 0.05) & (down < depth)), edge), down


def closed_over(part: Part, wall: BoolArray) -> Part | None:
    """The part with a hole taken out and its rims filled, as a feature that was lost leaves it.

    None where what is left is no closed part any more.

    Parameters
    ----------
    part : Part
    wall : (n,) bool
        Corners of the hole; see :func:`hole`.
    """
    inner = wall[part.faces].all(axis=1)
    if not inner.any():
        return None
    sides = part.faces[inner][:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    count = len(part.vertices)
    code = sides[:, 0] * count + sides[:, 1]
    rim = sides[~np.isin(code, sides[:, 1] * count + sides[:, 0])]
    # Sides of one rim hang together by their corners; each is filled from its own middle.
    graph = coo_array((np.ones(len(rim)), (rim[:, 0], rim[:, 1])), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    rims, number = np.unique(label[rim[:, 0]], return_inverse=True)
    middles = np.stack([part.vertices[rim[number == k, 0]].mean(axis=0) for k in range(len(rims))])
    caps = np.column_stack([rim, count + number])
    points = np.concatenate([part.vertices, middles])
    faces = np.concatenate([part.faces[~inner], caps])
    used, faces = np.unique(faces, return_inverse=True)
    place = np.eye(4) if part.place is None else part.place
    found = rebuilt(part, apply(inverse(place), points[used]), faces.reshape(-1, 3))
    return found if found.closed else None
