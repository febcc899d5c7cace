"""Upper bounds of the distance from a triangle to a surface that runs alongside it.

A triangle ``T`` and the facets of the surface near it are seen along one direction. Over the part
of ``T`` that a facet covers, the distance to that facet is convex, so it is greatest at a corner of
the overlay polygon: the greatest value over all polygons bounds the distance of every point of
``T``, provided that the polygons leave nothing of ``T`` bare.

That they do follows without subtracting them. A patch of facets is grown from one below the middle
of ``T``, across every edge that is seen within ``T``; all its facets face the viewer. How often a
point is covered can only change across an edge that has no neighbour in the patch (the degree of a
piecewise linear map, constant off the image of the boundary; M. W. Hirsch, "Differential
Topology" (1976), chapter 5). If no such edge is seen within ``T``, all of ``T`` is covered as the
middle is: once. Where the patch ends in ``T`` (a sharp edge, a hole, a crack), ``T`` is cut along
the line of that edge, and both cells are treated on their own; a cell with no facet below it is
bounded by the one facet whose greatest distance from its corners is least. Strips so thin that all
their points are near the rest of the cell are left off, and the distance is added to the bound.

Corners of a polygon are kept as their place (x, y) in the view; the third coordinate is linear.
"""

import numba
import numpy as np

FACETS = 2048  # of a patch
CELLS = 16  # of a triangle
CORNERS = 24  # of a cell
STEPS = 24  # of the walk to the facet below a point
FACING = 0.5  # least cosine between a facet's normal and the view
SHARE = 0.05  # of what is asked for may be spent on strips
NEEDLE = 1e-6  # least area of a cell over its squared diameter
FLAT = 1e-7  # height over longest side of a facet without a normal


@numba.njit(cache=True, nogil=True)
def _distance(tri, i, x, y, z):
    """Distance of a point to triangle ``i``.

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
    gx, gy, gz = px - s * ux - t * vx, py - s * uy - t * vy, pz - s * uz - t * vz
    return np.sqrt(gx * gx + gy * gy + gz * gz)


@numba.njit(cache=True, nogil=True)
def _seen(tri, i, view, seen, row):
    """Corners of facet ``i`` in the view into ``seen[row]``.

    2 where it faces the viewer, 1 where it has no normal to speak of, else 0.
    """
    for k in range(3):
        x, y, z = tri[i, k, 0] - view[0, 0], tri[i, k, 1] - view[0, 1], tri[i, k, 2] - view[0, 2]
        for c in range(3):
            seen[row, k, c] = view[1 + c, 0] * x + view[1 + c, 1] * y + view[1 + c, 2] * z
    ux = seen[row, 1, 0] - seen[row, 0, 0]
    uy = seen[row, 1, 1] - seen[row, 0, 1]
    uz = seen[row, 1, 2] - seen[row, 0, 2]
    vx = seen[row, 2, 0] - seen[row, 0, 0]
    vy = seen[row, 2, 1] - seen[row, 0, 1]
    vz = seen[row, 2, 2] - seen[row, 0, 2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    nn = nx * nx + ny * ny + nz * nz
    longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz)
    if nn <= (FLAT * longest) ** 2:
        return 1
    return 2 if nz > 0.0 and nz * nz >= FACING * FACING * nn else 0


@numba.njit(cache=True, nogil=True)
def _cut(cell, count, px, py, ex, ey, sense, slack, out):
    """Part of a polygon on one side of a line through (px, py) along the unit (ex, ey).

    ``sense`` 1: to its left. What lies beyond by no more than ``slack`` is kept.
    """
    n = 0
    last = sense * (ex * (cell[count - 1, 1] - py) - ey * (cell[count - 1, 0] - px)) + slack
    for k in range(count):
        here = sense * (ex * (cell[k, 1] - py) - ey * (cell[k, 0] - px)) + slack
        if (here < 0.0) != (last < 0.0):
            o = k - 1 if k > 0 else count - 1
            t = last / (last - here)
            out[n, 0] = cell[o, 0] + t * (cell[k, 0] - cell[o, 0])
            out[n, 1] = cell[o, 1] + t * (cell[k, 1] - cell[o, 1])
            n += 1
        if here >= 0.0:
            out[n, 0], out[n, 1] = cell[k, 0], cell[k, 1]
            n += 1
        last = here
    return n


@numba.njit(cache=True, nogil=True)
def _left(part, n, rest, m):
    """Greatest distance of the corners of a polygon from a convex polygon beside it."""
    worst = 0.0
    for i in range(n):
        x, y = part[i, 0], part[i, 1]
        best = np.inf
        for k in range(m):
            o = k + 1 if k + 1 < m else 0
            ux, uy = rest[o, 0] - rest[k, 0], rest[o, 1] - rest[k, 1]
            px, py = x - rest[k, 0], y - rest[k, 1]
            uu = ux * ux + uy * uy
            t = min(max((px * ux + py * uy) / uu, 0.0), 1.0) if uu > 0.0 else 0.0
            best = min(best, (px - t * ux) ** 2 + (py - t * uy) ** 2)
        worst = max(worst, best)
    return np.sqrt(worst)


@numba.njit(cache=True, nogil=True)
def _size(cell, count):
    """Area and squared diameter of a polygon."""
    area = 0.0
    far = 0.0
    for k in range(count):
        if k > 1:
            ux, uy = cell[k - 1, 0] - cell[0, 0], cell[k - 1, 1] - cell[0, 1]
            area += ux * (cell[k, 1] - cell[0, 1]) - uy * (cell[k, 0] - cell[0, 0])
        for o in range(k):
            far = max(far, (cell[k, 0] - cell[o, 0]) ** 2 + (cell[k, 1] - cell[o, 1]) ** 2)
    return 0.5 * abs(area), far


@numba.njit(cache=True, nogil=True)
def _below(tri, across, start, x, y, view, seen):
    """Facet seen at (x, y), by walking from ``start``; -1 where the walk leads nowhere."""
    row = FACETS
    i = start
    for _ in range(STEPS):
        if _seen(tri, i, view, seen, row) != 2:
            return -1
        worst, way = 0.0, -1
        for k in range(3):
            o = (k + 1) % 3
            ex, ey = seen[row, o, 0] - seen[row, k, 0], seen[row, o, 1] - seen[row, k, 1]
            side = ex * (y - seen[row, k, 1]) - ey * (x - seen[row, k, 0])
            if side < 0.0 and -side > worst * np.sqrt(ex * ex + ey * ey):
                worst, way = -side / np.sqrt(ex * ex + ey * ey), k
        if way < 0:
            return i
        i = across[i, way]
        if i < 0:
            return -1
    return -1


@numba.njit(cache=True, nogil=True)
def _one_facet(cell, count, slope, tri, foot, view, seen):
    """Greatest distance of a cell's corners from one facet."""
    row = FACETS
    _seen(tri, foot, view, seen, row)
    most = 0.0
    for k in range(count):
        x, y = cell[k, 0], cell[k, 1]
        most = max(most, _distance(seen, row, x, y, slope[0] * x + slope[1] * y))
    return most


@numba.njit(cache=True, nogil=True)
def _known(i, tri, view, seen, names, slot, number):
    """Row of a facet among those seen; taken in where it is new; -1 where it faces away."""
    row = slot[i] - 1
    if row >= 0:
        return row, number
    if number == FACETS or _seen(tri, i, view, seen, number) == 0:
        return -1, number
    names[number] = i
    slot[i] = number + 1
    return number, number + 1


@numba.njit(cache=True, nogil=True)
def bounds(pieces, feet, views, goals, tri, across, out, mean, far, begin, end):
    """Bound the distance from pieces begin..end-1 to a surface.

    Parameters
    ----------
    pieces : (n, 3, 3) float64
    feet : (n, 4) int64
        Facets near the piece, the last one nearest to its middle.
    views : (n, 4, 3) float64
        From ``geomcheck.kernels.alongside``.
    goals : (n,) float64
        A bound this low is as good as a lower one.
    tri : (m, 3, 3) float64
        The surface.
    across : (m, 3) int32
        From ``geomcheck.kernels.alongside``.
    out : (n,) float64
        Filled: no point of the piece is farther; inf where that cannot be told.
    mean : (n,) float64
        Filled: the mean over the piece is no more.
    far : (n, 3) float64
        Filled: a point of the piece which is about that far.
    begin, end : int
    """
    seen = np.empty((FACETS + 1, 3, 3))
    names = np.empty(FACETS, dtype=np.int64)
    slot = np.zeros(tri.shape[0], dtype=np.int32)
    queue = np.empty(FACETS, dtype=np.int64)
    asked = np.empty(FACETS, dtype=np.int64)
    cells = np.empty((CELLS, CORNERS, 2))
    counts = np.empty(CELLS, dtype=np.int64)
    beside = np.empty((CELLS, 6), dtype=np.int64)
    work = np.empty((4, CORNERS + 4, 2))
    edge = np.empty((3, 3))
    slope = np.empty(2)
    centre = np.empty((1, 2))
    for i in range(begin, end):
        out[i] = np.inf
        mean[i] = np.inf
        far[i, 0], far[i, 1], far[i, 2] = pieces[i, 0, 0], pieces[i, 0, 1], pieces[i, 0, 2]
        view = views[i]
        if np.isnan(view[0, 0]):
            continue
        for k in range(3):
            x = pieces[i, k, 0] - view[0, 0]
            y = pieces[i, k, 1] - view[0, 1]
            z = pieces[i, k, 2] - view[0, 2]
            for c in range(3):
                edge[k, c] = view[1 + c, 0] * x + view[1 + c, 1] * y + view[1 + c, 2] * z
            cells[0, k, 0], cells[0, k, 1] = edge[k, 0], edge[k, 1]
        for f in range(4):
            beside[0, f] = feet[i, f]
        beside[0, 4] = beside[0, 5] = -1
        # Height of the piece over the middle: linear in the view.
        ux = edge[1, 0] - edge[0, 0]
        uy = edge[1, 1] - edge[0, 1]
        uz = edge[1, 2] - edge[0, 2]
        vx = edge[2, 0] - edge[0, 0]
        vy = edge[2, 1] - edge[0, 1]
        vz = edge[2, 2] - edge[0, 2]
        whole = ux * vy - uy * vx
        slope[0], slope[1] = (uz * vy - uy * vz) / whole, (ux * vz - uz * vx) / whole
        lean = np.sqrt(1.0 + slope[0] ** 2 + slope[1] ** 2)
        counts[0] = 3
        waiting, made, number = 1, 1, 0
        bound = total = 0.0
        fx = fy = 0.0
        goal = goals[i]
        while waiting > 0:
            waiting -= 1
            count = counts[waiting]
            cell = work[3]
            x0 = y0 = 0.0
            for k in range(count):
                cell[k, 0], cell[k, 1] = cells[waiting, k, 0], cells[waiting, k, 1]
                x0 += cell[k, 0] / count
                y0 += cell[k, 1] / count
            centre[0, 0], centre[0, 1] = x0, y0
            area, square = _size(cell, count)
            one = np.inf
            if made > 1:
                for f in range(6):
                    if beside[waiting, f] >= 0:
                        foot = beside[waiting, f]
                        one = min(one, _one_facet(cell, count, slope, tri, foot, view, seen))
            seed = -1
            if one > max(bound, goal) and area > NEEDLE * square:
                for f in range(6):
                    if seed < 0 and beside[waiting, f] >= 0:
                        seed = _below(tri, across, beside[waiting, f], x0, y0, view, seen)
            row = -1
            if seed >= 0:
                row, number = _known(seed, tri, view, seen, names, slot, number)
            if row < 0:
                if made == 1:
                    bound = np.inf
                elif one > bound:
                    bound = one
                    fx, fy = x0, y0
                total += area * one
                continue
            size = np.sqrt(square)
            for r in range(number):
                asked[r] = 0
            fresh = number
            asked[row] = 1
            queue[0] = row
            taken, held = 0, 1
            allow = SHARE * goal
            lost = opening = bare = 0.0
            nearest = np.inf
            good = True
            before, fx0, fy0, total0 = bound, fx, fy, total
            while taken < held and good:
                row = queue[taken]
                taken += 1
                reach = size
                for k in range(3):
                    reach = max(reach, abs(seen[row, k, 0]), abs(seen[row, k, 1]))
                tau = 1e-12 * reach
                for k in range(count):
                    work[0, k, 0], work[0, k, 1] = cell[k, 0], cell[k, 1]
                n = count
                for k in range(3):
                    o = (k + 1) % 3
                    ex, ey = seen[row, o, 0] - seen[row, k, 0], seen[row, o, 1] - seen[row, k, 1]
                    length = np.sqrt(ex * ex + ey * ey)
                    edge[k, 2] = length
                    if length > 0.0:
                        ex, ey = ex / length, ey / length
                    edge[k, 0], edge[k, 1] = ex, ey
                    a, b = work[k % 2], work[(k + 1) % 2]
                    if n > 0:
                        n = _cut(a, n, seen[row, k, 0], seen[row, k, 1], ex, ey, 1.0, tau, b)
                if n == 0:
                    continue
                over = work[1]
                # Height of the facet: linear, too, where it has a normal.
                ux = seen[row, 1, 0] - seen[row, 0, 0]
                uy = seen[row, 1, 1] - seen[row, 0, 1]
                uz = seen[row, 1, 2] - seen[row, 0, 2]
                vx = seen[row, 2, 0] - seen[row, 0, 0]
                vy = seen[row, 2, 1] - seen[row, 0, 1]
                vz = seen[row, 2, 2] - seen[row, 0, 2]
                nz = ux * vy - uy * vx
                solid = nz > FLAT * max(ux * ux + uy * uy, vx * vx + vy * vy)
                if not solid and _left(centre, 1, seen[row], 3) <= 2.0 * FLAT * reach:
                    # Whether it turns its back cannot be told, and so not what covers the middle.
                    good = False
                    break
                px = (uz * vy - uy * vz) / nz if solid else 0.0
                py = (ux * vz - uz * vx) / nz if solid else 0.0
                first = before_it = 0.0
                for k in range(n):
                    x, y = over[k, 0], over[k, 1]
                    z = slope[0] * x + slope[1] * y
                    d = np.inf
                    if solid:
                        d = px * (x - seen[row, 0, 0]) + py * (y - seen[row, 0, 1])
                        d = abs(z - seen[row, 0, 2] - d)
                    if d > bound:
                        d = _distance(seen, row, x, y, z)
                        if d > bound:
                            bound = d
                            fx, fy = x, y
                    if k == 0:
                        first = d
                    elif k > 1:
                        ax, ay = over[k - 1, 0] - over[0, 0], over[k - 1, 1] - over[0, 1]
                        ax = ax * (y - over[0, 1]) - ay * (x - over[0, 0])
                        total += 0.5 * abs(ax) * (first + before_it + d) / 3.0
                    before_it = d
                for k in range(3):
                    ex, ey = edge[k, 0], edge[k, 1]
                    qx, qy = seen[row, k, 0], seen[row, k, 1]
                    least, most = np.inf, -np.inf
                    for j in range(n):
                        x, y = over[j, 0] - qx, over[j, 1] - qy
                        if ex * y - ey * x <= 2.0 * tau:
                            along = ex * x + ey * y
                            least, most = min(least, along), max(most, along)
                    if most < least:
                        continue
                    other = across[names[row], k]
                    next_row = -1
                    if other >= 0:
                        next_row, number = _known(other, tri, view, seen, names, slot, number)
                    while fresh < number:
                        asked[fresh] = 0
                        fresh += 1
                    if next_row >= 0:
                        if asked[next_row] == 0:
                            asked[next_row] = 1
                            queue[held] = next_row
                            held += 1
                        continue
                    if number == FACETS:
                        good = False
                        break
                    # The patch ends here.
                    n_in = _cut(cell, count, qx, qy, ex, ey, 1.0, 0.0, work[0])
                    n_out = _cut(cell, count, qx, qy, ex, ey, -1.0, 0.0, work[2])
                    if n_in < 3 or n_out < 3:
                        continue
                    at = ex * (y0 - qy) - ey * (x0 - qx)
                    if abs(at) <= 4.0 * tau:
                        good = False
                        break
                    keep, drop = (work[0], work[2]) if at > 0.0 else (work[2], work[0])
                    n_keep, n_drop = (n_in, n_out) if at > 0.0 else (n_out, n_in)
                    strip = lean * _left(drop, n_drop, keep, n_keep)
                    if strip <= allow:
                        lost += strip
                        bare += _size(drop, n_drop)[0]
                        allow -= strip
                    else:
                        hole = lean * 2.0 * (most - least + 4.0 * tau) * square / area
                        if hole <= allow:
                            opening += most - least + 4.0 * tau
                            allow -= hole
                            near = min(max(ex * (x0 - qx) + ey * (y0 - qy), least), most)
                            near = (x0 - qx - near * ex) ** 2 + (y0 - qy - near * ey) ** 2
                            nearest = min(nearest, np.sqrt(near))
                            continue
                        if made == CELLS or max(n_keep, n_drop) > CORNERS - 1:
                            good = False
                            break
                        made += 1
                        counts[waiting] = n_drop
                        for j in range(n_drop):
                            cells[waiting, j, 0], cells[waiting, j, 1] = drop[j, 0], drop[j, 1]
                        for f in range(4):
                            beside[waiting, f] = feet[i, f]
                        beside[waiting, 4], beside[waiting, 5] = names[row], other
                        waiting += 1
                    if n_keep > CORNERS - 1:
                        good = False
                        break
                    count = n_keep
                    for j in range(count):
                        cell[j, 0], cell[j, 1] = keep[j, 0], keep[j, 1]
            if good and opening > 0.0:
                area, square = _size(cell, count)
                hole = 2.0 * opening * square / max(area, 1e-300)
                lost += lean * hole
                bare += hole * hole
                good = nearest > 2.0 * hole
            if not good:
                # What was cut off is bounded on its own; the rest has no better bound than this.
                if made == 1:
                    bound = np.inf
                    break
                bound, fx, fy = max(before, one), fx0, fy0
                total = total0 + area * one
                continue
            bound += lost
            total += area * lost + bare * bound
        for r in range(number):
            slot[names[r]] = 0
        out[i] = bound
        mean[i] = min(total / (0.5 * abs(whole)), bound) if bound < np.inf else np.inf
        z = slope[0] * fx + slope[1] * fy
        for c in range(3):
            far[i, c] = view[0, c] + fx * view[1, c] + fy * view[2, c] + z * view[3, c]
