"""Triangles of a part in the axes of a camera: only those that can cover a pixel of the picture.

Orthographic view. A triangle is left out when its box, in fixed-point pixels, holds no pixel
centre inside the picture, or when it lies wholly in front of the cutting plane: drawing would pass
over it just so. The order of the rest is kept, so that ties are decided as before.
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def look(triangles, axes, centre, scale, rows, columns, near, sub, farthest):
    """Bring triangles into a picture.

    Parameters
    ----------
    triangles : (n, 3, 3) float64
        mm.
    axes : (3, 3) float64
        Rows right, down, away.
    centre : (3,) float64
        Point in the middle of the picture, mm.
    scale : float
        Pixels per mm.
    rows, columns : int
        Size of the picture, pixels.
    near : float
        Depth of the cutting plane, mm; ``-inf`` for none.
    sub : int
        Fixed-point steps to a pixel.
    farthest : int
        Pixel coordinates are held to plus and minus this.

    Returns
    -------
    corners : (m, 3, 2) int64
        Fixed-point column and row of each corner.
    heights : (m, 3) float64
        Depth of each corner, mm.
    normals : (m, 3) float32
        Unit normals in camera axes, turned towards the camera; zero for a triangle without area.
    box : (2, 2) int64
        Least and greatest column and row of the corners, fixed-point; of no use for none.
    """
    count = triangles.shape[0]
    # Pages of these that are never written take no memory.
    corners = np.empty((count, 3, 2), np.int64)
    heights = np.empty((count, 3), np.float64)
    normals = np.empty((count, 3), np.float32)
    local = np.empty((3, 3), np.float64)
    box = np.empty((2, 2), np.int64)
    box[0] = farthest * sub
    box[1] = -farthest * sub
    half = sub // 2
    most = float(farthest)
    across = 0.5 * columns
    down = 0.5 * rows
    kept = 0
    for t in range(count):
        far = -np.inf
        for k in range(3):
            x = triangles[t, k, 0] - centre[0]
            y = triangles[t, k, 1] - centre[1]
            z = triangles[t, k, 2] - centre[2]
            for c in range(3):
                local[k, c] = axes[c, 0] * x + axes[c, 1] * y + axes[c, 2] * z
            far = max(far, local[k, 2])
        if far < near:
            continue
        for k in range(3):
            u = min(most, max(-most, local[k, 0] * scale + across))
            v = min(most, max(-most, local[k, 1] * scale + down))
            corners[kept, k, 0] = np.int64(np.rint(u * sub))
            corners[kept, k, 1] = np.int64(np.rint(v * sub))
            heights[kept, k] = local[k, 2]
        seen = True
        for c in range(2):
            least = min(corners[kept, 0, c], min(corners[kept, 1, c], corners[kept, 2, c]))
            top = max(corners[kept, 0, c], max(corners[kept, 1, c], corners[kept, 2, c]))
            size = columns if c == 0 else rows
            first = max(0, (least - half + sub - 1) // sub)
            last = min(size - 1, (top - half) // sub)
            if first > last:
                seen = False
        if not seen:
            continue
        for k in range(3):
            for c in range(2):
                box[0, c] = min(box[0, c], corners[kept, k, c])
                box[1, c] = max(box[1, c], corners[kept, k, c])
        ax = local[1, 0] - local[0, 0]
        ay = local[1, 1] - local[0, 1]
        az = local[1, 2] - local[0, 2]
        bx = local[2, 0] - local[0, 0]
        by = local[2, 1] - local[0, 1]
        bz = local[2, 2] - local[0, 2]
        nx = ay * bz - az * by
        ny = az * bx - ax * bz
        nz = ax * by - ay * bx
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        if length == 0.0:
            length = 1.0
        if nz > 0.0:
            length = -length
        normals[kept, 0] = np.float32(nx / length)
        normals[kept, 1] = np.float32(ny / length)
        normals[kept, 2] = np.float32(nz / length)
        kept += 1
    return corners[:kept], heights[:kept], normals[:kept], box
