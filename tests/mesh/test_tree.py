"""The layout other kernels rely on, whatever the order of the triangles."""

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.mesh import threads
from geomcheck.mesh.tree import TriangleTree, as_tree, rounding


def soup(n, seed=0):
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n, 3, 3)) * 0.1 + rng.normal(size=(n, 1, 3)) * [50, 20, 1]


@pytest.mark.parametrize("n", [1, 7, 8, 9, 16, 17, 511, 512, 513, 4097, 40_000])
def test_layout(n):
    tri = soup(n)
    tree = TriangleTree(tri)
    p = tree.first_leaf + 1
    assert p & (p - 1) == 0
    assert p >= -(-n // tree.leaf) > p // 2 or p == 1
    assert np.array_equal(np.sort(tree.order), np.arange(n))
    assert np.array_equal(tree.triangles, tri[tree.order])
    assert tree.boxes.shape == (2 * p - 1, 6)
    for k in range(p):
        held = tree.triangles[k * tree.leaf : (k + 1) * tree.leaf]
        box = tree.boxes[tree.first_leaf + k]
        if len(held):
            assert np.array_equal(box, [*held.min(axis=(0, 1)), *held.max(axis=(0, 1))])
        else:
            assert np.array_equal(box, [np.inf] * 3 + [-np.inf] * 3)
    inner = np.arange(tree.first_leaf)
    first, second = tree.boxes[2 * inner + 1], tree.boxes[2 * inner + 2]
    assert np.array_equal(tree.boxes[inner, :3], np.minimum(first[:, :3], second[:, :3]))
    assert np.array_equal(tree.boxes[inner, 3:], np.maximum(first[:, 3:], second[:, 3:]))
    assert np.array_equal(tree.bounds, [tri.min(axis=(0, 1)), tri.max(axis=(0, 1))])


def test_least_numbers_and_turned_boxes():
    tree = TriangleTree(soup(3000))
    p = tree.first_leaf + 1
    for node in [*range(0, 40), *range(p - 1, 2 * p - 1, 37)]:
        low = high = node
        while low < tree.first_leaf:
            low, high = 2 * low + 1, 2 * high + 2
        rows = slice((low - p + 1) * tree.leaf, (high - p + 2) * tree.leaf)
        held = tree.order[rows]
        assert tree.least_numbers[node] == (held.min() if len(held) else 2**31 - 1)
        frame = tree.frames[node]
        if frame[15] and len(held):
            axes = frame[3:12].reshape(3, 3)
            assert np.allclose(axes @ axes.T, np.eye(3), atol=1e-14)
            reach = np.abs((tree.triangles[rows].reshape(-1, 3) - frame[:3]) @ axes.T).max(axis=0)
            assert (reach <= frame[12:15]).all()
    assert tree.frames[p - 1 : p - 1 + 3000 // 8, 15].all()


def test_leaves_are_compact():
    """Runs of eight along a plain curve are not; this is what the halving in blocks is for."""
    ball = trimesh.creation.icosphere(5)
    tree = TriangleTree(ball.triangles)
    leaves = tree.boxes[tree.first_leaf : tree.first_leaf + len(tree) // 8]
    across = np.linalg.norm(leaves[:, 3:] - leaves[:, :3], axis=1)
    side = np.sqrt(8 * ball.area / len(tree))  # of a square patch of eight triangles
    assert np.percentile(across, 95) < 3.0 * side


def test_same_tree_on_any_threads(monkeypatch):
    tri = soup(150_000, 5)
    one = TriangleTree(tri)
    monkeypatch.setattr(threads, "THREADS", 1)
    two = TriangleTree(tri)
    assert np.array_equal(one.order, two.order)
    assert np.array_equal(one.boxes, two.boxes)
    assert np.array_equal(one.frames, two.frames)


@pytest.mark.parametrize("extent", [0.0, 1e-9, 1e9])
def test_any_extent(extent):
    tri = soup(100) * extent
    tree = TriangleTree(tri)
    assert np.array_equal(tree.triangles, tri[tree.order])


def test_what_can_be_a_shape():
    mesh = trimesh.creation.box((1, 2, 3))
    tree = TriangleTree(mesh.triangles)
    assert as_tree(tree) is tree
    assert np.array_equal(as_tree(mesh).triangles, tree.triangles)
    assert np.array_equal(as_tree(np.array(mesh.triangles, np.float32)).triangles, tree.triangles)
    assert as_tree(mesh.triangles.tolist()).leaf == tree.leaf


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (np.zeros((0, 3, 3)), "no triangles"),
        (np.zeros((4, 3)), "shape"),
        (np.zeros((4, 3, 2)), "shape"),
    ],
)
def test_bad_shapes(bad, words):
    with pytest.raises(InputError, match=words):
        TriangleTree(bad)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("row", [0, 7, 99_999])
def test_corner_that_is_not_finite(value, row):
    tri = soup(100_000)
    tri[row, 1, 2] = value
    with pytest.raises(InputError, match="not finite"):
        TriangleTree(tri)


def test_rounding_grows_with_the_coordinates():
    near, far = TriangleTree(soup(10)), TriangleTree(soup(10) + 1e6)
    assert rounding(near) < 1e-12
    assert 1e-9 < rounding(near, far) < 1e-8
