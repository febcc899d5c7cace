"""What a plane runs into on its way from one station to the next.

A slab is a row of 22 floats: origin and normal of the near plane (6) and of the far plane (6), u
and v across the slab (6), and a window xmin ymin xmax ymax (4) along u and v about the near
origin. Triangles are clipped to the slab and the window by their corners (I. Sutherland,
G. Hodgman, 1974, CACM 17(1)): against six planes a triangle keeps at most nine corners.
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def _clip(poly, count, out, a0, a1, a2, shift):
    """Keep the part of a polygon where a . p >= shift; returns the number of corners."""
    kept = 0
    for i in range(count):
        k = i + 1 if i + 1 < count else 0
        di = a0 * poly[i, 0] + a1 * poly[i, 1] + a2 * poly[i, 2] - shift
        dk = a0 * poly[k, 0] + a1 * poly[k, 1] + a2 * poly[k, 2] - shift
        if di >= 0.0:
            for c in range(3):
                out[kept, c] = poly[i, c]
            kept += 1
        if (di >= 0.0) != (dk >= 0.0):
            t = di / (di - dk)
            for c in range(3):
                out[kept, c] = poly[i, c] + t * (poly[k, c] - poly[i, c])
            kept += 1
    return kept


@numba.njit(cache=True, nogil=True)
def _walls(slab, walls):
    """The slab's six bounding planes as rows a, shift: inside is a . p >= shift."""
    for k in range(6):
        walls[k, 3] = 0.0
    for c in range(3):
        walls[0, c] = slab[3 + c]
        walls[1, c] = -slab[9 + c]
        walls[2, c] = slab[12 + c]
        walls[3, c] = -slab[12 + c]
        walls[4, c] = slab[15 + c]
        walls[5, c] = -slab[15 + c]
        walls[0, 3] += walls[0, c] * slab[c]
        walls[1, 3] += walls[1, c] * slab[6 + c]
        for k in range(2, 6):
            walls[k, 3] += walls[k, c] * slab[c]
    walls[2, 3] += slab[18]
    walls[3, 3] -= slab[20]
    walls[4, 3] += slab[19]
    walls[5, 3] -= slab[21]


@numba.njit(cache=True, nogil=True)
def _misses(boxes, node, walls):
    """Whether a node's box lies wholly outside one of the planes."""
    if not boxes[node, 0] <= boxes[node, 3]:
        return True
    for k in range(6):
        best = 0.0
        for c in range(3):
            a = walls[k, c]
            best += a * (boxes[node, 3 + c] if a > 0.0 else boxes[node, c])
        if not best >= walls[k, 3]:
            return True
    return False


@numba.njit(cache=True, nogil=True)
def _inside(tri, j, walls, one, two):
    """Clip triangle j to the slab; the corners end in ``one``, their number is returned."""
    for k in range(3):
        for c in range(3):
            one[k, c] = tri[j, k, c]
    count = np.int64(3)  # a plain 3 is a type of its own: _clip would be compiled twice
    for k in range(0, 6, 2):
        m = k + 1
        count = _clip(one, count, two, walls[k, 0], walls[k, 1], walls[k, 2], walls[k, 3])
        count = _clip(two, count, one, walls[m, 0], walls[m, 1], walls[m, 2], walls[m, 3])
        if count < 3:
            return 0
    return count


@numba.njit(cache=True, nogil=True)
def _flux(poly, count, out):
    """Area vector of a flat polygon."""
    out[0] = out[1] = out[2] = 0.0
    for k in range(1, count - 1):
        p0, p1, p2 = poly[k, 0] - poly[0, 0], poly[k, 1] - poly[0, 1], poly[k, 2] - poly[0, 2]
        m = k + 1
        q0, q1, q2 = poly[m, 0] - poly[0, 0], poly[m, 1] - poly[0, 1], poly[m, 2] - poly[0, 2]
        out[0] += 0.5 * (p1 * q2 - p2 * q1)
        out[1] += 0.5 * (p2 * q0 - p0 * q2)
        out[2] += 0.5 * (p0 * q1 - p1 * q0)


@numba.njit(cache=True, nogil=True)
def _facing(flux, slab, sense):
    """Greatest of the flux against either plane's normal, one sense only."""
    near = flux[0] * slab[3] + flux[1] * slab[4] + flux[2] * slab[5]
    far = flux[0] * slab[9] + flux[1] * slab[10] + flux[2] * slab[11]
    return max(0.0, -sense * near, -sense * far)


@numba.njit(cache=True, nogil=True)
def swept(tri, boxes, first_leaf, leaf, slabs, sense):
    """Facets in each slab that face along the slab, by area projected on its planes.

    ``sense`` = +1: facets whose outward normal runs against the planes' normals, where material
    begins for who comes from the near plane; -1: where it ends. Returns (m, 2): the sum over the
    slab's facets of the greater of the two projected areas, and the plain area of all facets.
    """
    out = np.zeros((slabs.shape[0], 2))
    stack = np.empty(128, np.int64)
    one = np.empty((12, 3))
    two = np.empty((12, 3))
    walls = np.empty((6, 4))
    flux = np.empty(3)
    for row in range(slabs.shape[0]):
        _walls(slabs[row], walls)
        top = 1
        stack[0] = 0
        while top > 0:
            top -= 1
            node = stack[top]
            if _misses(boxes, node, walls):
                continue
            if node < first_leaf:
                stack[top] = 2 * node + 2
                stack[top + 1] = 2 * node + 1
                top += 2
                continue
            begin = (node - first_leaf) * leaf
            for j in range(begin, min(begin + leaf, tri.shape[0])):
                count = _inside(tri, j, walls, one, two)
                if count > 0:
                    _flux(one, count, flux)
                    out[row, 0] += _facing(flux, slabs[row], sense)
                    out[row, 1] += np.sqrt(flux[0] ** 2 + flux[1] ** 2 + flux[2] ** 2)
    return out


@numba.njit(cache=True, nogil=True)
def shadows(tri, boxes, first_leaf, leaf, slab, sense, corners, counts):
    """Outlines, along u and v about the near origin, of what :func:`swept` adds up in one slab.

    Fills ``corners`` (k, 12, 2) and ``counts`` (k,); returns how many facets there are, which may
    be more than fit.
    """
    stack = np.empty(128, np.int64)
    one = np.empty((12, 3))
    two = np.empty((12, 3))
    walls = np.empty((6, 4))
    flux = np.empty(3)
    _walls(slab, walls)
    found = 0
    top = 1
    stack[0] = 0
    while top > 0:
        top -= 1
        node = stack[top]
        if _misses(boxes, node, walls):
            continue
        if node < first_leaf:
            stack[top] = 2 * node + 2
            stack[top + 1] = 2 * node + 1
            top += 2
            continue
        begin = (node - first_leaf) * leaf
        for j in range(begin, min(begin + leaf, tri.shape[0])):
            count = _inside(tri, j, walls, one, two)
            if count == 0:
                continue
            _flux(one, count, flux)
            if _facing(flux, slab, sense) <= 0.0:
                continue
            if found < counts.shape[0]:
                counts[found] = count
                for k in range(count):
                    x = y = 0.0
                    for c in range(3):
                        x += slab[12 + c] * (one[k, c] - slab[c])
                        y += slab[15 + c] * (one[k, c] - slab[c])
                    corners[found, k, 0] = x
                    corners[found, k, 1] = y
            found += 1
    return found
