"""What is needed before a triangle is laid over a surface (``geomcheck.kernels.overlay``).

Which facets of the surface share a side, and from where each triangle is looked at.
"""

import numba
import numpy as np

NEEDLE = 1e-6  # least area of a piece over its squared diameter


@numba.njit(cache=True, nogil=True)
def partners(order, start, faces, out):
    """Facet across each side of each facet, into ``out`` (m, 3) int32; -1 where there is none.

    ``order``, ``start``: half-edges grouped by edge. Facets on one edge are paired in turn, each
    with one that runs the other way along it.
    """
    out[:] = -1
    for e in range(start.shape[0] - 1):
        for i in range(start[e], start[e + 1]):
            h = order[i]
            if out[h // 3, h % 3] >= 0:
                continue
            for j in range(i + 1, start[e + 1]):
                g = order[j]
                if out[g // 3, g % 3] < 0 and faces[h // 3, h % 3] != faces[g // 3, g % 3]:
                    out[h // 3, h % 3] = g // 3
                    out[g // 3, g % 3] = h // 3
                    break


@numba.njit(cache=True, nogil=True)
def _gap(tri, i, x, y, z):
    """Way from the nearest point of triangle ``i`` to a point.

    The foot's region is found by the signs of the corner and edge products, as in C. Ericson,
    "Real-Time Collision Detection" (2005), 5.1.5; it is a point of the triangle in any case, so
    that rounding can only make a bound larger.
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
    return px - s * ux - t * vx, py - s * uy - t * vy, pz - s * uz - t * vz


@numba.njit(cache=True, nogil=True)
def _view(piece, tri, foot, view):
    """Origin and axes (4, 3) of the view of a piece; False where it has no side.

    Seen along the way from its middle to the nearest point, if that is far compared with the piece
    and not too slanted; else along its normal.
    """
    ux = piece[1, 0] - piece[0, 0]
    uy = piece[1, 1] - piece[0, 1]
    uz = piece[1, 2] - piece[0, 2]
    vx = piece[2, 0] - piece[0, 0]
    vy = piece[2, 1] - piece[0, 1]
    vz = piece[2, 2] - piece[0, 2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    ww = (ux - vx) ** 2 + (uy - vy) ** 2 + (uz - vz) ** 2
    longest = max(uu, vv, ww)
    if not 0.5 * length > NEEDLE * longest:
        return False
    nx, ny, nz = nx / length, ny / length, nz / length
    x = (piece[0, 0] + piece[1, 0] + piece[2, 0]) / 3.0
    y = (piece[0, 1] + piece[1, 1] + piece[2, 1]) / 3.0
    z = (piece[0, 2] + piece[1, 2] + piece[2, 2]) / 3.0
    gx, gy, gz = _gap(tri, foot, x, y, z)
    far = np.sqrt(gx * gx + gy * gy + gz * gz)
    slant = gx * nx + gy * ny + gz * nz
    if far * far > 1e-4 * longest and abs(slant) > 0.7 * far:
        nx, ny, nz = gx / slant, gy / slant, gz / slant
        far = np.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz = nx / far, ny / far, nz / far
    along = ux * nx + uy * ny + uz * nz
    ux, uy, uz = ux - along * nx, uy - along * ny, uz - along * nz
    length = np.sqrt(ux * ux + uy * uy + uz * uz)
    ux, uy, uz = ux / length, uy / length, uz / length
    view[0, 0], view[0, 1], view[0, 2] = x, y, z
    view[1, 0], view[1, 1], view[1, 2] = ux, uy, uz
    view[2, 0], view[2, 1], view[2, 2] = ny * uz - nz * uy, nz * ux - nx * uz, nx * uy - ny * ux
    view[3, 0], view[3, 1], view[3, 2] = nx, ny, nz
    return True


@numba.njit(cache=True, nogil=True)
def views(pieces, feet, tri, out, begin, end):
    """Views of pieces begin..end-1, each with the facet nearest to its middle below it.

    Parameters
    ----------
    pieces : (n, 3, 3) float64
    feet : (n, 4) int64
        Facets near the piece, the last one nearest to its middle.
    tri : (m, 3, 3) float64
    out : (n, 4, 3) float64
        Filled: middle of the piece, then three unit axes, the last one towards the viewer; NaN
        where a piece has no side to look at.
    begin, end : int
    """
    for i in range(begin, end):
        if not _view(pieces[i], tri, feet[i, 3], out[i]):
            out[i, 0, 0] = np.nan
