"""A regular grid among triangles: where its lines cross them, and floods from cell to cell.

Cells are numbered i = (ix ny + iy) nz + iz; a link runs from a cell to its neighbour in +x, +y or
+z and is numbered axis n + i. Lines run through the cells' centres. Whether a line passes through
a triangle is decided in the plane across it by the half-open rule for polygons (D. Sunday's form
of the winding number; from memory): two triangles that share an edge compute the same products
for it, of opposite sign, so a line through an edge or a corner is counted as if it ran a hair
beside it, and no line slips between two triangles that share an edge.
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def crossings(tri, low, h, shape, axis, whole, lines, height, sign, owner):
    """Crossings of the grid lines along ``axis`` with triangles.

    ``tri`` (n, 3, 3); ``low`` (3,) centre of cell 0, ``h`` spacing, ``shape`` (3,) cells;
    ``whole``: beyond the first and last cells too. Fills per crossing ``lines`` (k, 2), the
    line's places along the next two axes in cyclic order, ``height`` (k,), the crossing's
    coordinate along ``axis``, ``sign`` (k,) int8, +1 where the triangle's normal points along the
    axis and -1 against it, and ``owner`` (k,), the triangle. Returns the number of crossings;
    what does not fit is counted only.
    """
    room = len(height)
    kx = (axis + 1) % 3
    ky = (axis + 2) % 3
    q = np.empty((3, 3))
    weight = np.empty(3)
    begin = low[axis] - h
    end = low[axis] + shape[axis] * h
    count = 0
    for i in range(tri.shape[0]):
        z0 = min(tri[i, 0, axis], tri[i, 1, axis], tri[i, 2, axis])
        z1 = max(tri[i, 0, axis], tri[i, 1, axis], tri[i, 2, axis])
        if not whole and (z1 < begin or z0 > end):
            continue
        x0 = min(tri[i, 0, kx], tri[i, 1, kx], tri[i, 2, kx])
        x1 = max(tri[i, 0, kx], tri[i, 1, kx], tri[i, 2, kx])
        y0 = min(tri[i, 0, ky], tri[i, 1, ky], tri[i, 2, ky])
        y1 = max(tri[i, 0, ky], tri[i, 1, ky], tri[i, 2, ky])
        # One line more on either side than rounding could need.
        a0 = max(int(np.floor((x0 - low[kx]) / h)), 0)
        a1 = min(int(np.ceil((x1 - low[kx]) / h)), shape[kx] - 1)
        b0 = max(int(np.floor((y0 - low[ky]) / h)), 0)
        b1 = min(int(np.ceil((y1 - low[ky]) / h)), shape[ky] - 1)
        for a in range(a0, a1 + 1):
            px = low[kx] + a * h
            if px < x0 or px > x1:
                continue
            for b in range(b0, b1 + 1):
                py = low[ky] + b * h
                if py < y0 or py > y1:
                    continue
                for k in range(3):
                    q[k, 0] = tri[i, k, kx] - px
                    q[k, 1] = tri[i, k, ky] - py
                turns = 0
                for k in range(3):
                    m = (k + 1) % 3
                    left = q[k, 0] * q[m, 1] - q[m, 0] * q[k, 1]
                    weight[(k + 2) % 3] = left
                    if q[k, 1] <= 0.0:
                        if q[m, 1] > 0.0 and left > 0.0:
                            turns += 1
                    elif q[m, 1] <= 0.0 and left < 0.0:
                        turns -= 1
                if turns == 0:
                    continue
                if count < room:
                    total = 0.0
                    z = 0.0
                    for k in range(3):
                        share = max(weight[k] * turns, 0.0)
                        total += share
                        z += share * tri[i, k, axis]
                    if total > 0.0:
                        z /= total
                    else:
                        z = (tri[i, 0, axis] + tri[i, 1, axis] + tri[i, 2, axis]) / 3.0
                    lines[count, 0] = a
                    lines[count, 1] = b
                    height[count] = min(max(z, z0), z1)
                    sign[count] = turns
                    owner[count] = i
                count += 1
    return count


@numba.njit(cache=True, nogil=True)
def flood(links, steps, seeds, mark, label):
    """Spread ``label`` from the cells ``seeds`` over open links; returns the cells reached.

    ``links`` (3, n) bool, False on the last layer of each axis; ``steps`` (3,) from a cell to its
    neighbours; ``mark`` (n,) int32, 0 where a cell may still be taken.
    """
    n = mark.shape[0]
    stack = np.empty(n, np.int64)
    top = 0
    count = 0
    for s in seeds:
        if mark[s] == 0:
            mark[s] = label
            stack[top] = s
            top += 1
    while top > 0:
        top -= 1
        i = stack[top]
        count += 1
        for axis in range(3):
            j = i + steps[axis]
            if links[axis, i] and mark[j] == 0:
                mark[j] = label
                stack[top] = j
                top += 1
            j = i - steps[axis]
            if j >= 0 and links[axis, j] and mark[j] == 0:
                mark[j] = label
                stack[top] = j
                top += 1
    return count


@numba.njit(cache=True, nogil=True)
def carry_feet(cells, number, low, h, shape, foot, gap):
    """Hand nearest wall points on from cell to cell, away from the walls.

    ``cells`` (m,) ascending; ``number`` (n,) int32, row of a cell or -1. ``foot`` (m, 3) and
    ``gap`` (m,), the squared distance, hold what is known, inf where nothing is; both are filled
    in place. Two rounds of raster sweeps, forth and back over all 26 neighbours (vector distance
    transform: P.-E. Danielsson, 1980, "Euclidean distance mapping"; from memory).
    """
    ny, nz = shape[1], shape[2]
    m = len(cells)
    for turn in range(4):
        forth = turn % 2 == 0
        for r in range(m):
            row = r if forth else m - 1 - r
            i = cells[row]
            ix = i // (ny * nz)
            iy = i // nz % ny
            iz = i % nz
            x = low[0] + ix * h
            y = low[1] + iy * h
            z = low[2] + iz * h
            best = gap[row]
            # Neighbours that the sweep has passed: 13 of the 26.
            for k in range(13):
                dx, dy, dz = k // 9 - 1, k // 3 % 3 - 1, k % 3 - 1
                if not forth:
                    dx, dy, dz = -dx, -dy, -dz
                jx, jy, jz = ix + dx, iy + dy, iz + dz
                if jx < 0 or jy < 0 or jz < 0 or jx >= shape[0] or jy >= ny or jz >= nz:
                    continue
                other = number[(jx * ny + jy) * nz + jz]
                if other < 0 or gap[other] == np.inf:
                    continue
                d = (
                    (foot[other, 0] - x) ** 2 + (foot[other, 1] - y) ** 2
                    + (foot[other, 2] - z) ** 2
                )  # fmt: skip
                if d < best:
                    best = d
                    foot[row, 0] = foot[other, 0]
                    foot[row, 1] = foot[other, 1]
                    foot[row, 2] = foot[other, 2]
            gap[row] = best
