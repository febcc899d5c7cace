"""Triangles cut at a convex region."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.fit.clip import cut
from geomcheck.fit.pieces import Piece, pair_off

FIXED = settings(derandomize=True, deadline=None, max_examples=40)


def areas(triangles):
    return 0.5 * np.linalg.norm(
        np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1
    )


def cut_all(triangles, planes):
    piece = Piece(triangles, np.arange(len(triangles)))
    return cut(piece, np.zeros(len(triangles), dtype=np.int64), planes, 4)


@FIXED
@given(seed=st.integers(0, 2**20), count=st.integers(1, 12))
def test_fragments_cover_their_triangle_and_know_their_side(seed, count):
    rng = np.random.default_rng(seed)
    triangles = rng.uniform(-10, 10, (20, 3, 3))
    normals = rng.normal(size=(count, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    planes = np.column_stack([normals, rng.uniform(0, 8, count)])
    piece, flags = cut_all(triangles, planes)
    total = np.bincount(piece.parent, areas(piece.triangles), minlength=20)
    assert np.allclose(total, areas(triangles), atol=1e-9)
    middle = piece.triangles.mean(axis=1)
    inside = (middle @ planes[:, :3].T <= planes[:, 3] + 1e-9).all(axis=1)
    thick = areas(piece.triangles) > 1e-9
    assert ((flags == 4) == inside)[thick].all()
    # The area in the region, by many points of each triangle (an estimate within 5 sigma).
    weights = rng.dirichlet((1, 1, 1), 4000)
    for row in range(4):
        points = weights @ triangles[row]
        share = (points @ planes[:, :3].T <= planes[:, 3]).all(axis=1).mean()
        found = areas(piece.triangles[(piece.parent == row) & (flags == 4)]).sum()
        assert abs(found / areas(triangles[row : row + 1])[0] - share) < 5 * 0.5 / np.sqrt(4000)


def test_square_cut_by_a_half_space_and_a_corner():
    square = np.array([[[0, 0, 0], [10, 0, 0], [10, 10, 0]], [[0, 0, 0], [10, 10, 0], [0, 10, 0]]])
    piece, flags = cut_all(square.astype(float), np.array([[1.0, 0, 0, 4], [0, 1, 0, 5]]))
    assert areas(piece.triangles[flags == 4]).sum() == 20.0
    assert areas(piece.triangles).sum() == 100.0


def test_what_lies_in_a_face_of_the_region_belongs_to_it():
    """A mating face lies in its own plane."""
    square = np.array([[[0, 0, 0], [10, 0, 0], [10, 10, 0]]], dtype=float)
    region = np.array([[0, 0, 1.0, 0], [1, 0, 0, 4]])
    piece, flags = cut_all(square, region)
    assert areas(piece.triangles[flags == 4]).sum() == 8.0


@FIXED
@given(seed=st.integers(0, 2**20))
def test_blocks_hold_every_pair_but_those_that_share_a_flag(seed):
    rng = np.random.default_rng(seed)
    corners = np.zeros((9, 3, 3))
    flags_a, flags_b = rng.integers(0, 8, 9), rng.integers(0, 8, 9)
    numbers = np.arange(9)
    pairing = pair_off(Piece(corners, numbers), flags_a, Piece(corners, numbers), flags_b)
    measured = {(int(i), int(j)) for a, b in pairing.blocks for i in a.parent for j in b.parent}
    wanted = {(i, j) for i in range(9) for j in range(9) if not flags_a[i] & flags_b[j]}
    assert measured == wanted
    assert sorted(pairing.free_a.parent) == list(np.flatnonzero(flags_a == 0))
