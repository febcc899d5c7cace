"""Generalised winding number: how often a surface wraps a point.

The solid angle of each triangle (Van Oosterom & Strackee 1983, "The solid angle of a plane
triangle") over 4 pi, summed (Jacobson, Kavan & Sorkine-Hornung 2013, "Robust inside-outside
segmentation using generalized winding numbers").
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def add(tri, first, last, points, out, begin, end):
    """Winding number of triangles first..last-1 about points begin..end-1, into ``out``.

    The sum runs in the order of the triangles. A point on a triangle gets that triangle's share
    as one of its two sides sees it.
    """
    for r in range(begin, end):
        x = points[r, 0]
        y = points[r, 1]
        z = points[r, 2]
        total = 0.0
        for i in range(first, last):
            ax = tri[i, 0, 0] - x
            ay = tri[i, 0, 1] - y
            az = tri[i, 0, 2] - z
            bx = tri[i, 1, 0] - x
            by = tri[i, 1, 1] - y
            bz = tri[i, 1, 2] - z
            cx = tri[i, 2, 0] - x
            cy = tri[i, 2, 1] - y
            cz = tri[i, 2, 2] - z
            a = np.sqrt(ax * ax + ay * ay + az * az)
            b = np.sqrt(bx * bx + by * by + bz * bz)
            c = np.sqrt(cx * cx + cy * cy + cz * cz)
            volume = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
            base = (
                a * b * c
                + (ax * bx + ay * by + az * bz) * c
                + (bx * cx + by * cy + bz * cz) * a
                + (cx * ax + cy * ay + cz * az) * b
            )
            total += np.arctan2(volume, base)
        out[r] = total / (2.0 * np.pi)
