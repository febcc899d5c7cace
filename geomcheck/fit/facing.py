"""On which side of a one-sided scan a body lies.

A scanner sees a surface from outside its material. A body that lies wholly on the other side is
behind the face: the side of the material that it looks at is not in the mesh (the inner frame of a
panel scanned from above), or the mesh faces the wrong way, or it stands in the wrong place.

The same holds of the nearest point alone: where every facet there shows its back, what was measured
is the far side of a wall of unknown thickness.
"""

from __future__ import annotations

import numpy as np

from geomcheck.finding import Point
from geomcheck.fit.body import Body
from geomcheck.mesh.query import near_masks, point_distance

#: Corners and middles of triangles of the body that are asked, so many of each.
ASKED = 512
#: Of these, so many must stand square enough to a facet to have a side ...
DECIDED = 4
#: ... that is, their way to the nearest facet must have this cosine to its normal.
SQUARE = 0.5
#: Share of the decided points behind the face for the body to be wholly behind it.
WHOLLY = 0.99


def wholly_behind(body: Body, scan: Body) -> bool:
    """Whether a body lies on the back of an open mesh, as far as points on it can tell.

    Parameters
    ----------
    body : Body
    scan : Body
        Only an open mesh has a face and a back; for others the answer is no.
    """
    if scan.kind != "open":
        return False
    used = np.unique(body.faces)
    corners = body.vertices[used[np.linspace(0, len(used) - 1, ASKED).astype(np.int64)]]
    some = np.linspace(0, len(body.faces) - 1, ASKED).astype(np.int64)
    points = np.unique(np.concatenate([corners, body.triangles[some].mean(axis=1)]), axis=0)
    near = point_distance(scan.tree, points)
    corners = scan.triangles[near.triangle]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1) * near.distance
    side = np.einsum("ij,ij->i", points - near.point, normal) / np.where(length > 0.0, length, 1.0)
    decided = (length > 0.0) & (np.abs(side) >= SQUARE)
    behind = int((side[decided] < 0.0).sum())
    return int(decided.sum()) >= DECIDED and behind >= WHOLLY * int(decided.sum())


def shows_back(scan: Body, at: Point, towards: Point) -> bool:
    """Whether an open mesh shows nothing but its back at the point nearest to another body.

    Parameters
    ----------
    scan : Body
        For other meshes than open ones the answer is no.
    at, towards : Point
        The two witness points of a gap, ``at`` on the mesh, mm.
    """
    way = np.subtract(towards, at)
    length = float(np.linalg.norm(way))
    if scan.kind != "open" or length == 0.0:
        return False
    here = np.tile(np.asarray(at, dtype=np.float64), (1, 3, 1))
    touching = near_masks(scan.tree, here, max(scan.resolution, 1e-6))[0]
    facing = scan.normals[touching] @ (way / length)
    return bool(len(facing)) and float(facing.max()) <= -SQUARE
