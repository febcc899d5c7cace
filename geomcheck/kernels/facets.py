"""Folds of a mesh: edges of the part, or bends of a curve and how far it stands off its strips.

See ``geomcheck.mesh.sagitta`` for the rules.

Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k`` to its corner ``(k + 1) % 3``.
The *wing* of a half-edge is the unit vector in its triangle, square to it, towards the far corner;
two facets that continue one another have opposite wings.
"""

import math

import numba
import numpy as np

#: Turns up to this angle (rad) may be those of one surface cut into facets: 45 degrees, an eighth
#: of a turn, and room for rounding. No facet stands for a wider arc.
SHARP = math.radians(46.0)
#: Two facets that turn by less than this (rad) are pieces of one flat; ...
LEVEL = math.radians(0.02)
#: ... so are two that turn by less than this, and by less than the share of their other folds.
FLAT = math.radians(1.0)
MINOR = 0.02
#: How two facets are level with one another, 0 if they are not.
NEARLY, FULLY = 1, 2
#: A flat more than so many times wider than its neighbour may be a plane beside a curve.
WIDE = 2.0
#: Strips of one curve, wide and narrow by turns, differ in width by no more than this.
SPREAD = 6.0
#: A wide flat is a plane if its neighbour's curvature leaves less than this share of the fold.
LEFT = 0.12
#: A fold is carried on by one of at least this share of the angle that one curvature would give.
SHARE = 0.2
#: Cosine between one wing and the opposite of another at two sides across from one another.
ACROSS = 0.3
#: A neighbour narrower than this share of a facet is a sliver: the facet behind it counts.
SLIVER = 0.001
#: Slivers looked past, one behind the other.
HOPS = 3
#: A triangle folded on all sides is believed to bend along this many widths of its neighbour.
REACH = 2.0
#: What a plane beside a curve may stand off, as a share of the strip beside it: curvature may run
#: out over it. A third is what curvature that falls evenly to zero needs (a cubic).
FADE = 0.4
#: Pieces of one flat that are looked at together.
PIECES = 32
#: Faces of one edge compared with one another; more than this many only in a ruined mesh.
CROWD = 64


@numba.njit(cache=True, nogil=True)
def _wing(vertices, faces, h, wings):
    """Set the wing of half-edge ``h``; returns the triangle's altitude on it (0: none)."""
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
    t = (px * ex + py * ey + pz * ez) / ee if ee > 0.0 else 0.0
    px -= t * ex
    py -= t * ey
    pz -= t * ez
    height = math.sqrt(px * px + py * py + pz * pz)
    if ee == 0.0 or height == 0.0:
        return 0.0
    wings[h, 0] = px / height
    wings[h, 1] = py / height
    wings[h, 2] = pz / height
    return height


@numba.njit(cache=True, nogil=True)
def _bent(wings, h, g):
    """Square of twice the sine of half the angle by which two facets fail to go on straight."""
    x = wings[h, 0] + wings[g, 0]
    y = wings[h, 1] + wings[g, 1]
    z = wings[h, 2] + wings[g, 2]
    return x * x + y * y + z * z


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
            angle = _bent(wings, h, g)
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
                worth = 1e300 * (5.0 - _bent(wings, h, behind))
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
def _gather(mate, level, normals, f, pieces, seen, stamp):
    """Collect pieces of the flat that facet ``f`` belongs to, nearest first; returns how many."""
    pieces[0] = f
    count = 1
    if not (level[3 * f] or level[3 * f + 1] or level[3 * f + 2]):
        return count
    seen[f] = stamp
    i = 0
    while i < count and count < PIECES:
        for h in range(3 * pieces[i], 3 * pieces[i] + 3):
            if not level[h]:
                continue
            g = mate[h] // 3
            if seen[g] == stamp or count == PIECES:
                continue
            dot = 0.0
            for c in range(3):
                dot += normals[f, c] * normals[g, c]
            if abs(dot) < 0.99994:  # 0.6 degrees
                continue
            seen[g] = stamp
            pieces[count] = g
            count += 1
        i += 1
    return count


@numba.njit(cache=True, nogil=True)
def _across(wings, mate, turn, level, pieces, count, h):
    """The strongest fold of like sign across a flat from half-edge ``h``; -1 for none."""
    best = np.int64(-1)
    most = 0.0
    for i in range(count):
        for j in range(3 * pieces[i], 3 * pieces[i] + 3):
            if j == h or mate[j] < 0 or level[j] or turn[j] * turn[h] <= 0.0:
                continue
            if abs(turn[j]) <= most:
                continue
            dot = 0.0
            for c in range(3):
                dot -= wings[j, c] * wings[h, c]
            if dot > ACROSS:
                best = j
                most = abs(turn[j])
    return best


@numba.njit(cache=True, nogil=True)
def _width(vertices, faces, wings, pieces, count, h):
    """How far the pieces of a flat reach from half-edge ``h``, mm."""
    a = faces[h // 3, h % 3]
    width = 0.0
    for i in range(count):
        for k in range(3):
            v = faces[pieces[i], k]
            reach = 0.0
            for c in range(3):
                reach += (vertices[v, c] - vertices[a, c]) * wings[h, c]
            width = max(width, reach)
    return width


@numba.njit(cache=True, nogil=True)
def find_folds(vertices, faces, normals, order, start, thin):
    """Folds of a mesh that may be those of a smooth surface cut into facets.

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
    mate : (3 m,) int64
        Half-edge of the facet across, slivers looked past; -1 for none, and at sharp edges.
    turn : (3 m,) float64
        Angle (rad) of the fold: positive where the surface turns away from the normal's side
        (convex), negative where it turns towards it.
    level : (3 m,) int8
        ``FULLY`` or ``NEARLY`` where the two facets are pieces of one flat, else 0.
    width : (3 m,) float64
        mm the flat reaches from the edge.
    across : (3 m,) int64
        The strongest fold of like sign on the far side of the flat; -1 for none.
    whole : (m,) bool
        The facet is folded on all three sides, as no piece of a larger flat is.
    """
    m = faces.shape[0]
    wings = np.zeros((3 * m, 3))
    width = np.zeros(3 * m)
    edge_of = np.full(3 * m, -1, dtype=np.int64)
    for e in range(start.shape[0] - 1):
        for i in range(start[e], start[e + 1]):
            edge_of[order[i]] = e
            width[order[i]] = _wing(vertices, faces, order[i], wings)

    mate = np.full(3 * m, -1, dtype=np.int64)
    turn = np.zeros(3 * m)
    level = np.zeros(3 * m, dtype=np.int8)
    for h in range(3 * m):
        if width[h] <= thin:
            continue
        g = _neighbour(wings, width, order, start, edge_of, thin, h)
        if g < 0:
            continue
        angle = 2.0 * math.asin(min(0.5 * math.sqrt(_bent(wings, h, g)), 1.0))
        if angle > SHARP:
            continue
        mate[h] = g
        lean = 0.0
        for c in range(3):
            lean += normals[h // 3, c] * wings[g, c]
        turn[h] = angle if lean < 0.0 else -angle
    for h in range(3 * m):
        g = mate[h]
        angle = abs(turn[h])
        if g < 0 or angle >= FLAT:
            continue
        known = 2.0 * thin * (1.0 / width[h] + 1.0 / width[g])
        here = h - h % 3
        there = g - g % 3
        most = max(abs(turn[here]), abs(turn[here + 1]), abs(turn[here + 2]))
        other = max(abs(turn[there]), abs(turn[there + 1]), abs(turn[there + 2]))
        if angle < max(LEVEL, known):
            level[h] = FULLY
        elif angle < MINOR * min(most, other):
            level[h] = NEARLY

    across = np.full(3 * m, -1, dtype=np.int64)
    whole = np.zeros(m, dtype=np.bool_)
    pieces = np.empty(PIECES, dtype=np.int64)
    seen = np.full(m, -1, dtype=np.int64)
    for f in range(m):
        count = 0
        folds = 0
        for h in range(3 * f, 3 * f + 3):
            if mate[h] < 0 or level[h] == FULLY:
                continue
            folds += 1
            if level[h] == NEARLY:
                continue
            if count == 0:
                count = _gather(mate, level, normals, f, pieces, seen, f)
            across[h] = _across(wings, mate, turn, level, pieces, count, h)
            if count > 1:
                width[h] = max(width[h], _width(vertices, faces, wings, pieces, count, h))
        whole[f] = folds == 3
    return mate, turn, level, width, across, whole


@numba.njit(cache=True, nogil=True)
def _share(turn, width, h, g):
    """Half the arc (rad) of a flat if the one across ``g`` belongs to the same circle."""
    return abs(turn[h]) * width[h] / (width[h] + width[g])


@numba.njit(cache=True, nogil=True)
def _left(mate, turn, width, across, h):
    """Half the arc (rad) that the curvature of the neighbour, known from its other side, leaves."""
    g = mate[h]
    k = across[g]
    if k < 0 or width[mate[k]] > WIDE * width[g]:
        return _share(turn, width, h, g)
    return abs(turn[h]) - _share(turn, width, k, mate[k])


@numba.njit(cache=True, nogil=True)
def _is_plane(mate, turn, width, across, whole, h):
    """Whether the flat of ``h``, wider than the one over the edge, is a plane beside a curve."""
    g = mate[h]
    w = width[h]
    v = width[g]
    if w <= WIDE * v or whole[h // 3]:
        return False
    if across[h] < 0 or w > SPREAD * v:
        return True
    half = _left(mate, turn, width, across, h)
    return half < LEFT * abs(turn[h]) or 2.0 * half > SHARP


@numba.njit(cache=True, nogil=True)
def _goes_on(mate, turn, width, across, plane, h):
    """Whether the flat of ``h`` is bent further at its far side."""
    k = across[h]
    if k < 0 or plane[k] or plane[h]:
        return False
    here = width[h] + width[mate[h]]
    there = width[k] + width[mate[k]]
    return abs(turn[k]) >= SHARE * abs(turn[h]) * min(1.0, there / here)


@numba.njit(cache=True, nogil=True)
def find_bends(mate, turn, level, width, across, whole):
    """Tell folds of curved surfaces from edges, and curved flats from planes beside them.

    Parameters are what ``find_folds`` returns.

    Returns
    -------
    bend : (3 m,) bool
        The fold belongs to a curved surface.
    plane : (3 m,) bool
        The facet's flat is a plane that runs into the curved surface there.
    """
    count = mate.shape[0]
    plane = np.zeros(count, dtype=np.bool_)
    bend = np.zeros(count, dtype=np.bool_)
    for h in range(count):
        if mate[h] >= 0 and not level[h]:
            plane[h] = _is_plane(mate, turn, width, across, whole, h)
    for h in range(count):
        g = mate[h]
        if g < 0 or level[h]:
            continue
        bend[h] = (
            whole[h // 3]
            or whole[g // 3]
            or _goes_on(mate, turn, width, across, plane, h)
            or _goes_on(mate, turn, width, across, plane, g)
        )
    return bend, plane


@numba.njit(cache=True, nogil=True)
def _half_arc(mate, turn, width, across, whole, plane, h):
    """Half the arc (rad) the flat of ``h`` stands for, told by the fold at ``h``."""
    g = mate[h]
    angle = abs(turn[h])
    if not plane[g]:
        half = _left(mate, turn, width, across, h)
        if width[h] <= WIDE * width[g]:
            even = _share(turn, width, h, g)
            half = max(even, 0.5 * (even + half))
        elif whole[h // 3]:
            half = max(half, _share(turn, width, h, g))
        return min(half, 0.5 * SHARP)
    # The last strip beside a plane: the whole fold is half its arc.
    far = across[h]
    if far >= 0 and plane[mate[far]]:
        return 0.5 * (angle + abs(turn[far])) if angle + abs(turn[far]) <= SHARP else 0.0
    return angle if 2.0 * angle <= SHARP else 0.0


@numba.njit(cache=True, nogil=True)
def stand_off(normals, mate, turn, level, width, across, whole, bend, plane, least):
    """Estimated stand-off of a smooth surface from its facets, by strips.

    Parameters
    ----------
    normals : (m, 3) float64
    mate, turn, level, width, across, whole
        From ``find_folds``.
    bend, plane
        From ``find_bends``.
    least : float
        mm below which a stand-off is no more than the rounding of the corners.

    Returns
    -------
    (2, m) float64
        For folds that turn away from the normal's side (convex), and towards it (concave); mm.
    """
    m = normals.shape[0]
    out = np.zeros((2, m))
    pieces = np.empty(PIECES, dtype=np.int64)
    seen = np.full(m, -1, dtype=np.int64)
    for h in range(3 * m):
        if not bend[h]:
            continue
        if plane[h]:
            g = mate[h]
            half = _half_arc(mate, turn, width, across, whole, plane, g)
            bulge = FADE * 0.5 * width[g] * math.tan(0.5 * half)
        else:
            half = _half_arc(mate, turn, width, across, whole, plane, h)
            wide = width[h]
            if whole[h // 3]:
                wide = min(wide, REACH * width[mate[h]])
            bulge = 0.5 * wide * math.tan(0.5 * half)
        if bulge < least:
            continue
        side = 0 if turn[h] > 0.0 else 1
        for i in range(_gather(mate, level, normals, h // 3, pieces, seen, h)):
            out[side, pieces[i]] = max(out[side, pieces[i]], bulge)
    return out
