"""Cells cut by a wall: which part of the void they belong to, and how much of them is open.

Cells and links are numbered as in ``geomcheck.kernels.grid``. A cut cell whose centre lies in the
metal takes part in the void next to it. Where a wall is thinner than two cells there is void on
both sides of it: the cell then belongs to one side alone, told by 27 bits, one for each cell of
the block round it: bit (dx + 1) 9 + (dy + 1) 3 + (dz + 1).
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def sides(
    cut, number, links, low, h, shape, foot, gap, band, mask, level, spread, normal,
):  # fmt: skip
    """Side and wall of cut cells, from the walls of the inside cells round them.

    ``cut`` (k,) cells; ``number`` (n,) int32, row of an inside cell or -1; ``links`` (3, n) bool;
    ``foot`` (m, 3) and ``gap`` (m,) of inside cells, used where ``gap < band``. Fills ``mask``
    (k,) int32, the inside cells of the block that the cell belongs to; ``level`` (k,), mean
    height of its centre over their walls (negative in the metal), ``spread`` (k, 2), the least and
    greatest, and ``normal`` (k, 3), their mean, into the void.
    """
    ny, nz = shape[1], shape[2]
    label = np.empty(27, np.int64)
    stack = np.empty(27, np.int64)
    for r in range(len(cut)):
        i = cut[r]
        ix = i // (ny * nz)
        iy = i // nz % ny
        iz = i % nz
        for k in range(27):
            jx, jy, jz = ix + k // 9 - 1, iy + k // 3 % 3 - 1, iz + k % 3 - 1
            label[k] = -1
            if jx < 0 or jy < 0 or jz < 0 or jx >= shape[0] or jy >= ny or jz >= nz:
                continue
            if number[(jx * ny + jy) * nz + jz] >= 0:
                label[k] = 0
        best = 0
        most = 0
        groups = 0
        for seed in range(27):
            if label[seed] != 0:
                continue
            groups += 1
            label[seed] = groups
            stack[0] = seed
            top = 1
            size = 0
            while top > 0:
                top -= 1
                k = stack[top]
                size += 1
                j = i + (k // 9 - 1) * ny * nz + (k // 3 % 3 - 1) * nz + k % 3 - 1
                for axis in range(3):
                    s = 9 if axis == 0 else (3 if axis == 1 else 1)
                    step = ny * nz if axis == 0 else (nz if axis == 1 else 1)
                    place = k // s % 3
                    if place < 2 and label[k + s] == 0 and links[axis, j]:
                        label[k + s] = groups
                        stack[top] = k + s
                        top += 1
                    if place > 0 and label[k - s] == 0 and links[axis, j - step]:
                        label[k - s] = groups
                        stack[top] = k - s
                        top += 1
            if size > most:
                most = size
                best = groups
        bits = 0
        total = 0.0
        height = 0.0
        n0 = n1 = n2 = 0.0
        least, greatest = np.inf, -np.inf
        x, y, z = low[0] + ix * h, low[1] + iy * h, low[2] + iz * h
        for k in range(27):
            if label[k] != best or best == 0:
                continue
            bits |= 1 << k
            dx, dy, dz = k // 9 - 1, k // 3 % 3 - 1, k % 3 - 1
            row = number[i + dx * ny * nz + dy * nz + dz]
            d = gap[row]
            if d >= band or d <= 0.0:
                continue
            a = (x + dx * h - foot[row, 0]) / d
            b = (y + dy * h - foot[row, 1]) / d
            c = (z + dz * h - foot[row, 2]) / d
            w = 1.0 / (dx * dx + dy * dy + dz * dz) ** 2
            total += w
            rise = (x - foot[row, 0]) * a + (y - foot[row, 1]) * b + (z - foot[row, 2]) * c
            height += w * rise
            least = min(least, rise)
            greatest = max(greatest, rise)
            n0 += w * a
            n1 += w * b
            n2 += w * c
        mask[r] = bits
        size = np.sqrt(n0 * n0 + n1 * n1 + n2 * n2)
        if total > 0.0 and size > 0.0:
            level[r] = height / total
            spread[r, 0] = least
            spread[r, 1] = greatest
            normal[r, 0] = n0 / size
            normal[r, 1] = n1 / size
            normal[r, 2] = n2 / size
        else:
            level[r] = -np.inf
            spread[r, 0] = -np.inf
            spread[r, 1] = -np.inf
