"""How far a smooth surface stands off the facets that stand for it; see ``geomcheck.mesh.sagitta``.

Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k`` to its corner ``(k + 1) % 3``.
The *wing* of a half-edge is the unit vector in its triangle, square to it, towards the far corner;
two facets that continue one another have opposite wings.
"""

import math

import numba
import numpy as np

#: Turns up to this angle (rad) are taken as one smooth surface cut into facets.
SHARP = math.radians(40.0) + 1e-4
#: Two facets that turn by less than this (rad) are taken as pieces of one flat.
FLAT = math.radians(0.3)
#: A facet is believed to be curved along at most this many widths of its neighbour.
REACH = 2.0
#: A neighbour narrower than this share of a facet is a sliver: the facet behind it counts.
SLIVER = 0.001
#: Slivers looked past, one behind the other.
HOPS = 3
#: Pieces of one flat that are looked at together.
PIECES = 64
#: Faces of one edge compared with one another; more than this many only in a ruined mesh.
CROWD = 64
#: Cosine of the angle (100 degrees) beyond which a triangle is so flat that its longest side
#: bulges more than its edges can tell.
OBTUSE = math.cos(math.radians(100.0))


@numba.njit(cache=True, nogil=True)
def _wing(vertices, faces, h, out):
    """Wing of half-edge ``h`` into ``out``; returns the triangle's altitude on it (0: none)."""
    f = h // 3
    k = h - 3 * f
    a = faces[f, k]
    b = faces[f, (k + 1) % 3]
    c = faces[f, (k + 2) % 3]
    ex = vertices[b, 0] - vertices[a, 0]
    ey = vertices[b, 1] - vertices[a, 1]
    ez = vertices[b, 2] - vertices[a, 2]
    px = vertices[c, 0] - vertices[a, 0]
    py = vertices[c, 1] - vertices[a, 1]
    pz = vertices[c, 2] - vertices[a, 2]
    ee = ex * ex + ey * ey + ez * ez
    if ee == 0.0:
        return 0.0
    t = (px * ex + py * ey + pz * ez) / ee
    px -= t * ex
    py -= t * ey
    pz -= t * ez
    height = math.sqrt(px * px + py * py + pz * pz)
    if height == 0.0:
        return 0.0
    out[0] = px / height
    out[1] = py / height
    out[2] = pz / height
    return height


@numba.njit(cache=True, nogil=True)
def _turn(here, there):
    """Angle (rad) between one wing and the continuation of the other; exact near 0."""
    sx = here[0] + there[0]
    sy = here[1] + there[1]
    sz = here[2] + there[2]
    dx = here[0] - there[0]
    dy = here[1] - there[1]
    dz = here[2] - there[2]
    return 2.0 * math.atan2(
        math.sqrt(sx * sx + sy * sy + sz * sz), math.sqrt(dx * dx + dy * dy + dz * dz)
    )


@numba.njit(cache=True, nogil=True)
def _partner(wings, heights, order, start, edge, h):
    """The other half-edge on the edge of ``h``; among several the one that turns least."""
    s = start[edge]
    k = start[edge + 1] - s
    if k == 2:
        return order[s] + order[s + 1] - h
    best = np.int64(-1)
    least = math.inf
    for i in range(min(k, CROWD)):
        g = order[s + i]
        if g != h and heights[g] > 0.0:
            angle = _turn(wings[h], wings[g])
            if angle < least:
                least = angle
                best = g
    return best


@numba.njit(cache=True, nogil=True)
def _neighbour(wings, heights, order, start, edge_of, thin, h):
    """Half-edge of the facet across ``h``, looking past slivers; -1 if there is none."""
    past = max(thin, SLIVER * heights[h])
    g = _partner(wings, heights, order, start, edge_of[h], h)
    hops = 0
    while g >= 0 and heights[g] <= past and hops < HOPS:
        # Behind one of the sliver's other two sides it goes on: there where the surface turns
        # less; if both are slivers again, behind the wider.
        wide = np.int64(-1)
        best = -math.inf
        for k in range(1, 3):
            side = g - g % 3 + (g % 3 + k) % 3
            if edge_of[side] < 0:
                continue
            behind = _partner(wings, heights, order, start, edge_of[side], side)
            if behind < 0:
                continue
            worth = heights[behind]
            if worth > past:
                worth = 1e300 * (4.0 - _turn(wings[h], wings[behind]))
            if worth > best:
                best = worth
                wide = behind
        if wide < 0 or wide // 3 == h // 3:
            break
        g = wide
        hops += 1
    if g < 0 or heights[g] <= thin:
        return np.int64(-1)
    return g


@numba.njit(cache=True, nogil=True)
def _flat_piece(mate, turn, normals, f, pieces):
    """Collect the pieces of the flat that facet ``f`` belongs to; returns their number."""
    pieces[0] = f
    count = 1
    i = 0
    while i < count:
        for k in range(3):
            h = 3 * pieces[i] + k
            if mate[h] < 0 or turn[h] >= FLAT:
                continue
            g = mate[h] // 3
            dot = 0.0
            for c in range(3):
                dot += normals[f, c] * normals[g, c]
            if abs(dot) < 0.99994:  # 0.6 degrees
                continue
            known = False
            for j in range(count):
                if pieces[j] == g:
                    known = True
                    break
            if not known and count < PIECES:
                pieces[count] = g
                count += 1
        i += 1
    return count


@numba.njit(cache=True, nogil=True)
def _has_flat(turn, f):
    return turn[3 * f] < FLAT or turn[3 * f + 1] < FLAT or turn[3 * f + 2] < FLAT


@numba.njit(cache=True, nogil=True)
def _round(turn, f):
    """Whether a facet turns smoothly on all three sides, as no piece of a larger flat does."""
    smooth = 0
    for k in range(3):
        if FLAT <= turn[3 * f + k] <= SHARP:
            smooth += 1
    return smooth == 3


@numba.njit(cache=True, nogil=True)
def stand_off(vertices, faces, normals, order, start, thin):
    """Estimated stand-off of a smooth surface from its facets.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int64
    normals : (m, 3) float64
        Unit normals; zero for a triangle without area.
    order, start
        Half-edges by edge, from ``geomcheck.kernels.edges.group_edges``.
    thin : float
        Altitude (mm) below which a triangle has no facing of its own.

    Returns
    -------
    (2, m) float64
        For edges that turn away from the normal's side (convex), and towards it (concave); mm.
    """
    m = faces.shape[0]
    wings = np.zeros((3 * m, 3))
    heights = np.zeros(3 * m)
    edge_of = np.full(3 * m, -1, dtype=np.int64)
    for e in range(start.shape[0] - 1):
        for i in range(start[e], start[e + 1]):
            edge_of[order[i]] = e
            heights[order[i]] = _wing(vertices, faces, order[i], wings[order[i]])

    mate = np.full(3 * m, -1, dtype=np.int64)
    turn = np.full(3 * m, math.inf)
    for h in range(3 * m):
        if heights[h] > thin:
            g = _neighbour(wings, heights, order, start, edge_of, thin, h)
            if g >= 0:
                angle = _turn(wings[h], wings[g])
                if angle <= SHARP:
                    mate[h] = g
                    turn[h] = angle

    # Widths: of the whole flat where a facet is only a piece of one.
    pieces = np.empty(PIECES, dtype=np.int64)
    width = heights.copy()
    for h in range(3 * m):
        if mate[h] < 0 or turn[h] < FLAT or not _has_flat(turn, h // 3):
            continue
        a = faces[h // 3, h % 3]
        for i in range(_flat_piece(mate, turn, normals, h // 3, pieces)):
            for k in range(3):
                v = faces[pieces[i], k]
                reach = 0.0
                for c in range(3):
                    reach += (vertices[v, c] - vertices[a, c]) * wings[h, c]
                width[h] = max(width[h], reach)

    out = np.zeros((2, m))
    bulge = np.zeros(3 * m)
    side = np.zeros(3 * m, dtype=np.int8)
    for h in range(3 * m):
        g = mate[h]
        if g < 0:
            continue
        f = h // 3
        w = width[h]
        ratio = width[g] / w
        if ratio >= 1.0:
            arc = turn[h] * min(max(0.5 * ratio, 1.0), 2.0)
        else:
            if not _round(turn, f):
                w = min(w, REACH * width[g])
            arc = turn[h] * 2.0 * w / (w + width[g])
        bulge[h] = 0.5 * w * math.tan(0.25 * arc)
        if bulge[h] < 0.25 * thin:
            bulge[h] = 0.0  # no more than the rounding of the corners
        lean = 0.0
        for c in range(3):
            lean += normals[f, c] * wings[g, c]
        side[h] = 0 if lean < 0.0 else 1
        out[side[h], f] += bulge[h]

    # The other pieces of a flat, as far from the edge as it is believed to be curved.
    for h in range(3 * m):
        if mate[h] < 0 or turn[h] < FLAT or not _has_flat(turn, h // 3):
            continue
        a = faces[h // 3, h % 3]
        far = min(width[h], REACH * width[mate[h]])
        for i in range(1, _flat_piece(mate, turn, normals, h // 3, pieces)):
            nearest = math.inf
            for k in range(3):
                v = faces[pieces[i], k]
                reach = 0.0
                for c in range(3):
                    reach += (vertices[v, c] - vertices[a, c]) * wings[h, c]
                nearest = min(nearest, reach)
            if nearest < far and out[side[h], pieces[i]] < bulge[h]:
                out[side[h], pieces[i]] = bulge[h]

    # An obtuse facet bulges as its longest side does, which the facet across it shares.
    for _ in range(2):
        before = out.copy()
        for f in range(m):
            longest = 3 * f
            for k in range(1, 3):
                if heights[3 * f + k] < heights[longest]:
                    longest = 3 * f + k
            across = edge_of[longest]
            if across < 0:
                continue
            if heights[longest] > 0.0:
                p = faces[f, (longest + 2) % 3]
                q = faces[f, longest % 3]
                r = faces[f, (longest + 1) % 3]
                dot = 0.0
                qq = 0.0
                rr = 0.0
                for c in range(3):
                    x = vertices[q, c] - vertices[p, c]
                    y = vertices[r, c] - vertices[p, c]
                    dot += x * y
                    qq += x * x
                    rr += y * y
                if dot > OBTUSE * math.sqrt(qq * rr):
                    continue
            g = mate[longest]
            if g < 0 and heights[longest] <= thin:
                g = _partner(wings, heights, order, start, across, longest)
            if g >= 0:
                for s in range(2):
                    out[s, f] = max(out[s, f], before[s, g // 3])
    return out
