"""Leaving out what cannot matter changes nothing: against the trees of the whole shapes."""

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.mesh import narrow
from geomcheck.mesh.query import least_distance
from geomcheck.mesh.tree import TriangleTree


def both(a, b, **more):
    """The answer by way of the parts that matter, checked against the whole trees."""
    got = least_distance(a, b, **more)
    want = least_distance(TriangleTree(a), TriangleTree(b), **more)
    if want is None:
        assert got is None
        return None
    assert got.distance == want.distance
    assert (got.triangle_a, got.triangle_b) == (want.triangle_a, want.triangle_b)
    assert np.array_equal(got.point_a, want.point_a)
    assert np.array_equal(got.point_b, want.point_b)
    return got


def balls(shift, seed=0, level=5):
    """Two balls of 20 * 4**level triangles in general position."""
    turn = trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3))
    ball = trimesh.creation.icosphere(level)
    a = np.array(ball.triangles)
    b = np.array(ball.triangles) @ turn[:3, :3] * 0.8 + shift
    return a, b


@pytest.mark.parametrize("shift", [(3, 0, 0), (-1, 2, 2), (1.2, 1.2, 0.6), (1, 0, 0), (0, 0, 0)])
@pytest.mark.parametrize("order", ["as made", "shuffled"])
def test_same_answer_as_whole_trees(shift, order):
    a, b = balls(np.array(shift, float))
    if order == "shuffled":
        a = np.random.default_rng(1).permutation(a)
    both(a, b)
    for cutoff in (0.0, 0.1, 1.0):
        both(a, b, cutoff=cutoff)
        flags = [np.random.default_rng(2).random(len(t)) < 0.7 for t in (a, b)]
        both(a, b, cutoff=cutoff, skip_a=flags[0], skip_b=flags[1])


def test_little_is_left_of_shapes_apart():
    a, b = balls(np.array([1.0, 2.0, 2.0]))
    parts = narrow.near_parts(a, b, np.inf, free=True)
    assert len(parts.a) + len(parts.b) < 0.05 * (len(a) + len(b))
    assert np.array_equal(parts.a, a[parts.rows_a])
    assert np.array_equal(parts.b, b[parts.rows_b])
    assert np.all(np.diff(parts.rows_a) > 0)
    # The true distance of the two balls, 3 - 1.8, is less by their facets' height only.
    assert both(a, b).distance == pytest.approx(1.2, abs=1e-3)


def test_all_is_left_of_shapes_close_all_over():
    a, _ = balls(np.zeros(3))
    assert narrow.near_parts(a, 1.001 * a, np.inf, free=True) is None


@pytest.mark.parametrize("seed", range(12))
def test_scraps_of_any_kind(seed):
    """Soup in runs: degenerate triangles, equal ones, sizes unlike, counts that fit no run."""
    rng = np.random.default_rng(seed)
    shapes = []
    for least in (1, 4000):
        count = int(rng.integers(least, least + 5000))
        middle = np.cumsum(rng.normal(size=(count, 1, 3)), axis=0)
        shape = middle + rng.normal(size=(count, 3, 3)) * rng.choice([0.0, 0.1, 3.0])
        shapes.append(np.round(shape, int(rng.integers(0, 4))))
    a, b = shapes
    both(a, b)
    both(a, b + rng.normal(size=3) * 100.0)
    both(b + np.array([0.0, 0.0, 200.0]), a, cutoff=50.0)


def test_equal_distances_go_to_the_smallest_numbers():
    """Two parallel plates of 5,000 triangles: every pair face to face is a least one."""
    grid = trimesh.creation.box((10, 10, 1)).subdivide_loop(0)
    for _ in range(5):
        grid = grid.subdivide()
    a = np.array(grid.triangles)
    near = both(a, a + np.array([0.0, 0.0, 3.0]))
    assert near.distance == pytest.approx(2.0, abs=1e-14)


def test_wrong_shapes_are_refused_as_by_the_trees():
    a, b = balls(np.array([3.0, 0.0, 0.0]))
    for wrong in (
        a[:0],
        a.reshape(-1, 3),
        np.where(np.arange(len(a))[:, None, None] == 7, np.nan, a),
    ):
        for pair in ((wrong, b), (b, wrong)):
            with pytest.raises(InputError):
                least_distance(*pair)
    with pytest.raises(InputError, match="skip_b"):
        least_distance(a, b, skip_a=np.zeros(len(a), bool), skip_b=np.zeros(3, bool))
