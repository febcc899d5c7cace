"""Upper bounds of the distance from a triangle to a surface, by convexity.

The distance to one facet is a convex function, so over a triangle it is greatest at a corner: the
greatest corner distance to any facet of the surface bounds the distance to the surface. Where the
triangle lies over the seam of two facets it is cut in two by points on two of its sides, and each
piece is bounded by the facet it belongs to; any cut gives a bound, the one taken is where both
facets are equally far (derived here).
"""

import numba
import numpy as np

STEPS = 12  # of the search for the cut
FEET = 4  # facets tried for each triangle


@numba.njit(cache=True, nogil=True)
def _distance(tri, i, x, y, z):
    """Distance of a point to triangle ``i``.

    The foot's region is found by the signs of the corner and edge products, as in C. Ericson,
    "Real-Time Collision Detection" (2005), 5.1.5; the distance is that to a point of the triangle
    in any case, so that rounding can only make the bound larger.
    """
    ax, ay, az = tri[i, 0, 0], tri[i, 0, 1], tri[i, 0, 2]
    ux, uy, uz = tri[i, 1, 0] - ax, tri[i, 1, 1] - ay, tri[i, 1, 2] - az
    vx, vy, vz = tri[i, 2, 0] - ax, tri[i, 2, 1] - ay, tri[i, 2, 2] - az
    px, py, pz = x - ax, y - ay, z - az
    d1 = ux * px + uy * py + uz * pz
    d2 = vx * px + vy * py + vz * pz
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    uv = ux * vx + uy * vy + uz * vz
    d3, d4 = d1 - uu, d2 - uv
    d5, d6 = d1 - uv, d2 - vv
    vc = d1 * d4 - d3 * d2
    vb = d5 * d2 - d1 * d6
    va = d3 * d6 - d5 * d4
    s = t = 0.0
    if d1 <= 0.0 and d2 <= 0.0:
        s = t = 0.0
    elif d3 >= 0.0 and d4 <= d3:
        s = 1.0
    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0 and uu > 0.0:
        s = d1 / uu
    elif d6 >= 0.0 and d5 <= d6:
        t = 1.0
    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0 and vv > 0.0:
        t = d2 / vv
    elif va <= 0.0 and d4 >= d3 and d5 >= d6 and (d4 - d3) + (d5 - d6) > 0.0:
        t = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        s = 1.0 - t
    elif va + vb + vc > 0.0:
        s = vb / (va + vb + vc)
        t = vc / (va + vb + vc)
    gx = px - s * ux - t * vx
    gy = py - s * uy - t * vy
    gz = pz - s * uz - t * vz
    return np.sqrt(gx * gx + gy * gy + gz * gz)


@numba.njit(cache=True, nogil=True)
def _cut(piece, k, o, tri, odd, rest, enough):
    """Greater distance at the cut of side ``k o``: near ``odd`` at k, near ``rest`` at o."""
    low, high = 0.0, 1.0
    below = -_distance(tri, rest, piece[k, 0], piece[k, 1], piece[k, 2])
    above = _distance(tri, odd, piece[o, 0], piece[o, 1], piece[o, 2])
    best = np.inf
    for step in range(STEPS):
        t = 0.5 * (low + high)
        if step % 3 != 2 and above - below > 0.0:
            t = low - below * (high - low) / (above - below)
        x = (1.0 - t) * piece[k, 0] + t * piece[o, 0]
        y = (1.0 - t) * piece[k, 1] + t * piece[o, 1]
        z = (1.0 - t) * piece[k, 2] + t * piece[o, 2]
        one = _distance(tri, odd, x, y, z)
        two = _distance(tri, rest, x, y, z)
        last = best
        best = min(best, max(one, two))
        if best <= enough or (step > 2 and best > 0.98 * last):
            break
        if one < two:
            low, below = t, one - two
        else:
            high, above = t, one - two
    return best


@numba.njit(cache=True, nogil=True)
def by_one(pieces, feet, tri, out, mean, begin, end):
    """Bound the distance from pieces begin..end-1 by the one facet that does it best.

    Parameters and what is filled: as of ``bounds``.
    """
    d = np.empty((FEET, 3))
    for i in range(begin, end):
        best = np.inf
        middle = np.inf
        for f in range(FEET):
            b = feet[i, f]
            for k in range(3):
                d[f, k] = _distance(tri, b, pieces[i, k, 0], pieces[i, k, 1], pieces[i, k, 2])
            best = min(best, max(d[f, 0], d[f, 1], d[f, 2]))
            # A convex function's mean over a triangle is at most that of its corners.
            middle = min(middle, (d[f, 0] + d[f, 1] + d[f, 2]) / 3.0)
        out[i] = best
        mean[i] = middle


@numba.njit(cache=True, nogil=True)
def bounds(pieces, feet, tri, goals, out, mean, begin, end):
    """Bound the distance from pieces begin..end-1 to a surface.

    Parameters
    ----------
    pieces : (n, 3, 3) float64
    feet : (n, FEET) int64
        Facets near the piece: those nearest to its corners and its middle.
    tri : (m, 3, 3) float64
        The surface.
    goals : (n,) float64
        A bound this low is not made lower.
    out : (n,) float64
        Filled: no point of the piece is farther than this.
    mean : (n,) float64
        Filled: the mean over the piece is no more than this.
    begin, end : int
    """
    d = np.empty((FEET, 3))
    for i in range(begin, end):
        enough = goals[i]
        best = np.inf
        middle = np.inf
        for f in range(FEET):
            b = feet[i, f]
            for k in range(3):
                d[f, k] = _distance(tri, b, pieces[i, k, 0], pieces[i, k, 1], pieces[i, k, 2])
            best = min(best, max(d[f, 0], d[f, 1], d[f, 2]))
            # A convex function's mean over a triangle is at most that of its corners.
            middle = min(middle, (d[f, 0] + d[f, 1] + d[f, 2]) / 3.0)
        if best > enough:
            for f in range(FEET):
                for g in range(FEET):
                    if feet[i, f] == feet[i, g] or best <= enough:
                        continue
                    for k in range(3):
                        o, p = (k + 1) % 3, (k + 2) % 3
                        most = max(d[f, k], d[g, o], d[g, p])
                        if most >= best:
                            continue
                        here, there = feet[i, f], feet[i, g]
                        most = max(most, _cut(pieces[i], k, o, tri, here, there, enough))
                        if most >= best:
                            continue
                        most = max(most, _cut(pieces[i], k, p, tri, here, there, enough))
                        best = min(best, most)
        out[i] = best
        mean[i] = min(middle, best)
