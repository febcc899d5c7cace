"""How far the true gap may lie from the one measured between facets.

Below. Let ``d(i, j)`` be the distance of facets i and j, g the least of them, and ``r(i)`` how far
the true surface may come nearer than facet i (``Body.reach``). True points over i and j are at
least ``d(i, j) - r(i) - r(j)`` apart. With R and S the greatest reaches of the two bodies, a pair
farther apart than ``g + R + S`` gives more than g and cannot lower the bound; every other pair has
both facets in the set near the other body at that distance. So
``g - max r over the near facets of a - max r over those of b`` is a bound, and coarse facets far
from the other body do not count. The same argument may be repeated with the smaller maxima just
found: a pair dropped before stays harmless, a pair kept has reaches within them. Hence the loop.

Above. The true surface has a point over each witness point, along its facet's normal, no farther
out than the outward and no farther in than the inward sagitta. The distance between two such
points is a convex function of the two shifts, so it is greatest for extreme shifts: the largest of
the four is a bound on the true gap.

Overlap. A point p of one surface lies deeper than d inside the other mesh. The true point over p
is within its facet's sagitta of p, and the other true surface has retreated by no more than its
inward sagitta near p: facets farther from p than d plus the greatest such sagitta cannot matter.
The true depth is at least d less the two; where that is negative the true bodies may be apart, by
no more than the shortfall.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from geomcheck.finding import Point, Term
from geomcheck.fit.body import Body
from geomcheck.fit.depth import Depth
from geomcheck.fit.pieces import Pairing
from geomcheck.mesh.query import near_masks
from geomcheck.mesh.tree import TriangleTree

ROUNDS = 4


def nearer(a: Body, b: Body, pairing: Pairing, distance: float) -> tuple[float, float]:
    """How much nearer (mm) the true surfaces of a and of b may come than the facets do.

    Parameters
    ----------
    a, b : Body
    pairing : Pairing
        What was measured.
    distance : float
        Least distance of the facets, mm.
    """
    reach_a, reach_b = float(a.reach.max()), float(b.reach.max())
    for _ in range(ROUNDS):
        if reach_a + reach_b == 0.0:
            break
        # A hair more, so that rounding in the distances cannot drop a pair that counts.
        near_a, near_b = pairing.near(a, b, (distance + reach_a + reach_b) * (1.0 + 1e-9) + 1e-9)
        lower_a = float(a.reach[near_a].max(initial=0.0))
        lower_b = float(b.reach[near_b].max(initial=0.0))
        done = lower_a + lower_b > 0.99 * (reach_a + reach_b)
        reach_a, reach_b = lower_a, lower_b
        if done:
            break
    return reach_a, reach_b


def farther(
    a: Body, b: Body, triangle_a: int, triangle_b: int, point_a: Point, point_b: Point
) -> float:
    """How much farther apart (mm) the true surfaces may be than the witness points."""
    between = np.subtract(point_b, point_a)
    normal_a, normal_b = unit_normal(a, triangle_a), unit_normal(b, triangle_b)
    shifts_a = (-float(a.sagitta.inward[triangle_a]), float(a.sagitta.outward[triangle_a]))
    shifts_b = (-float(b.sagitta.inward[triangle_b]), float(b.sagitta.outward[triangle_b]))
    greatest = max(
        float(np.linalg.norm(between + shift_b * normal_b - shift_a * normal_a))
        for shift_a, shift_b in product(shifts_a, shifts_b)
    )
    return max(0.0, greatest - float(np.linalg.norm(between)))


def shallower(reaching: Body, solid: Body, depth: Depth) -> tuple[float, float]:
    """How much less deep (mm) the true overlap may be: by the reaching surface, by the solid's.

    Parameters
    ----------
    reaching, solid : Body
    depth : Depth
        A depth of ``reaching`` in ``solid`` with a point.
    """
    own = float(
        max(reaching.sagitta.inward[depth.triangle], reaching.sagitta.outward[depth.triangle])
    )
    facing_in = solid.soundness.inside_out
    inward = solid.sagitta.outward if facing_in else solid.sagitta.inward
    largest = float(inward.max())
    if largest == 0.0:
        return own, 0.0
    point = TriangleTree(np.tile(np.asarray(depth.point, dtype=np.float64), (1, 3, 1)))
    near = near_masks(solid.tree, point, (depth.found + largest) * (1.0 + 1e-9) + 1e-9)[0]
    return own, float(inward[near].max(initial=0.0))


def facet_term(name: str, minus: float, plus: float, *bodies: Body) -> Term:
    """A term for the chord error of facets, with where the sagittas come from."""
    sources = sorted({f"{body.sagitta.source} sagitta" for body in bodies})
    return Term(name, minus, plus, " and ".join(sources))


def box_shift(a: Body, b: Body) -> float:
    """The shortest axis-parallel shift (mm) that takes the meshes' bounding boxes apart.

    It parts the bodies, too, so their overlap is no deeper; the material behind an open surface is
    taken to lie within the surface's box.
    """
    (low_a, high_a), (low_b, high_b) = a.bounds, b.bounds
    return max(0.0, float(np.minimum(high_a - low_b, high_b - low_a).min()))


def unit_normal(body: Body, triangle: int) -> np.ndarray:
    """Unit normal of one triangle; zero for one without area."""
    p, q, r = body.triangles[triangle]
    normal = np.cross(q - p, r - p)
    length = float(np.linalg.norm(normal))
    return normal / length if length > 0.0 else normal
