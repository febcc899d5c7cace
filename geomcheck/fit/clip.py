"""Cut triangles at the planes of a convex region."""

from __future__ import annotations

import numpy as np

from geomcheck.fit.body import FloatArray, IntArray
from geomcheck.fit.pieces import Piece
from geomcheck.fit.region import heights, within


def cut(piece: Piece, flags: IntArray, planes: FloatArray, bit: int) -> tuple[Piece, IntArray]:
    """Cut triangles along a convex region and flag what lies in it.

    Parameters
    ----------
    piece : Piece
    flags : (k,) int64
        One bit field per triangle.
    planes : (p, 4) float
        Half-spaces ``x . planes[:, :3] <= planes[:, 3]`` whose common part is the region.
    bit : int
        Set in the flags of every triangle (or fragment of one) in the region.

    Returns
    -------
    Piece, (l,) int64
        Triangles that were not cut keep their corners; fragments cover the triangle they come
        from, whose number is their parent.
    """
    inside, torn = within(piece.tree, planes)
    flags = flags.copy()
    flags[inside] |= bit
    if len(torn) == 0:
        return piece, flags
    kept, kept_from, dropped, dropped_from = _split(piece.triangles[torn], planes)
    whole = np.ones(len(piece), dtype=bool)
    whole[torn] = False
    from_kept, from_dropped = torn[kept_from], torn[dropped_from]
    return (
        Piece(
            np.concatenate([piece.triangles[whole], kept, dropped]),
            np.concatenate(
                [piece.parent[whole], piece.parent[from_kept], piece.parent[from_dropped]]
            ),
        ),
        np.concatenate([flags[whole], flags[from_kept] | bit, flags[from_dropped]]),
    )


def _split(
    corners: FloatArray, planes: FloatArray
) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
    """Fragments in the region and the triangles they come from; the same of the rest."""
    rows = np.arange(len(corners))
    dropped: list[FloatArray] = []
    dropped_from: list[IntArray] = []
    for plane in planes:
        height = heights(corners, plane).T
        below = (height <= 0.0).all(axis=1)
        above = (height >= 0.0).all(axis=1) & ~below
        across = ~(below | above)
        under, under_from, over, over_from = _halve(corners[across], height[across])
        dropped += [corners[above], over]
        dropped_from += [rows[above], rows[across][over_from]]
        corners = np.concatenate([corners[below], under])
        rows = np.concatenate([rows[below], rows[across][under_from]])
    return corners, rows, np.concatenate(dropped), np.concatenate(dropped_from)


def _halve(
    corners: FloatArray, height: FloatArray
) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
    """Cut triangles that reach to both sides of a plane: what is below, what is above."""
    side = np.sign(height)
    touching = (side == 0.0).any(axis=1)
    # Turn each so that the corner on the plane, or else the one alone on its side, comes first.
    first = np.where(touching[:, None], side == 0.0, side * side.sum(axis=1)[:, None] < 0.0)
    turn = (np.argmax(first, axis=1)[:, None] + np.arange(3)) % 3
    p, q, r = np.moveaxis(np.take_along_axis(corners, turn[:, :, None], axis=1), 1, 0)
    h, k, m = np.take_along_axis(height, turn, axis=1).T
    on_pq, on_qr, on_rp = _between(p, q, h, k), _between(q, r, k, m), _between(p, r, h, m)
    # Three triangles round a corner alone, two through a corner on the plane; each lies on the
    # side of the corner named last.
    found = (
        (~touching, (p, on_pq, on_rp), h),
        (~touching, (on_pq, q, r), k),
        (~touching, (on_pq, r, on_rp), m),
        (touching, (p, q, on_qr), k),
        (touching, (p, on_qr, r), m),
    )
    below = [np.flatnonzero(which & (at < 0.0)) for which, _, at in found]
    above = [np.flatnonzero(which & (at > 0.0)) for which, _, at in found]
    fragments = [np.stack(points, axis=1) for _, points, _ in found]
    return (
        np.concatenate([part[rows] for part, rows in zip(fragments, below, strict=True)]),
        np.concatenate(below),
        np.concatenate([part[rows] for part, rows in zip(fragments, above, strict=True)]),
        np.concatenate(above),
    )


def _between(p: FloatArray, q: FloatArray, h: FloatArray, k: FloatArray) -> FloatArray:
    """Where the height, ``h`` at ``p`` and ``k`` at ``q``, is 0 on the way."""
    fall = np.where(h == k, 1.0, h - k)  # corners at one height are not cut between
    return np.asarray(p + (q - p) * (h / fall)[:, None])
