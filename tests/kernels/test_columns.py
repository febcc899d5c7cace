"""Counting along a ray against closed forms and the winding number by solid angles."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.mesh import threads
from geomcheck.mesh.query import point_distance, winding_number
from geomcheck.mesh.tree import TriangleTree
from geomcheck.mesh.wraps import wraps

FIXED = settings(derandomize=True, deadline=None, max_examples=30)


def box(*size):
    return np.array(trimesh.creation.box(size).triangles)


def ball(subdivisions=3, radius=10.0):
    return np.array(trimesh.creation.icosphere(subdivisions, radius).triangles)


def turned(seed):
    return np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]


def test_inside_outside_twice_and_inside_out():
    two = np.concatenate([ball(), ball() + np.array([8.0, 0.0, 0.0])])
    at = [[-5, 0, 0], [4, 0, 0], [13, 0, 0], [30, 0, 0], [4, 9.9, 0]]
    assert wraps(two, at).tolist() == [1, 2, 1, 0, 0]
    assert wraps(two[:, ::-1], at).tolist() == [-1, -2, -1, 0, 0]
    shell = np.concatenate([ball(3, 10.0), ball(3, 5.0)[:, ::-1]])
    assert wraps(shell, [[0, 0, 0], [7, 0, 0], [0, -7, 0], [0, 0, 11]]).tolist() == [0, 1, 1, 0]


def test_rays_through_edges_and_corners():
    """A block cut into a grid: rays from grid points meet only edges and corners of facets."""
    mesh = trimesh.creation.box((4, 4, 4)).subdivide().subdivide()
    steps = np.arange(-3, 4) * 0.5
    inner = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    assert (wraps(mesh.triangles, inner) == 1).all()
    outer = inner + np.array([4.0, 0.0, 0.0])
    assert (wraps(mesh.triangles, outer[outer[:, 0] > 2.0]) == 0).all()


def test_rays_down_a_notch_meet_walls_edge_on():
    """Walls parallel to the ray hold it exactly; none of them may count."""
    notched = trimesh.boolean.difference(
        [trimesh.creation.box((8, 8, 8)), trimesh.creation.box(bounds=[[-1, -9, 0], [1, 9, 9]])],
        engine="manifold",
    )
    at = np.array([[0, 0, 2], [1, 0, -2], [-1, 1, -2], [0, 0, -1], [3, 3, 3], [-1.5, 0, 3]])
    assert wraps(notched.triangles, at).tolist() == [0, 1, 1, 1, 1, 1]


@FIXED
@given(
    seed=st.integers(0, 2**20),
    shape=st.sampled_from(["ball", "torus", "box", "two", "ring"]),
    grid=st.booleans(),
)
def test_same_as_the_sum_of_solid_angles(seed, shape, grid):
    rng = np.random.default_rng(seed)
    tri = {
        "ball": lambda: ball(2),
        "torus": lambda: np.array(trimesh.creation.torus(10, 4).triangles),
        "box": lambda: box(12, 8, 16),
        "two": lambda: np.concatenate([ball(2), ball(2) @ turned(seed).T + [7.0, 1.0, 0.0]]),
        "ring": lambda: np.array(trimesh.creation.annulus(4, 10, 6, sections=24).triangles),
    }[shape]()
    at = rng.uniform(-12, 12, (200, 3))
    if grid:  # coordinates that corners and edges share
        at = np.round(at)
    else:
        tri = tri @ turned(seed + 1).T
    # On the surface either answer may be given.
    at = at[point_distance(tri, at).distance > 1e-9]
    assert np.array_equal(wraps(tri, at), np.rint(winding_number(tri, at)))


@FIXED
@given(seed=st.integers(0, 2**20), reach=st.sampled_from([1e-3, 1e-6, 1e-9]))
def test_either_side_of_a_facet(seed, reach):
    """A step off a random point of the surface, along the facet's normal and against it."""
    rng = np.random.default_rng(seed)
    tri = np.array(trimesh.creation.torus(10, 4).triangles) @ turned(seed).T
    rows = rng.integers(len(tri), size=100)
    on = np.einsum("ij,ijk->ik", rng.dirichlet((3, 3, 3), 100), tri[rows])
    normal = np.cross(tri[rows, 1] - tri[rows, 0], tri[rows, 2] - tri[rows, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    assert (wraps(tri, on - reach * normal) == 1).all()
    assert (wraps(tri, on + reach * normal) == 0).all()


def test_does_not_depend_on_threads_or_order(monkeypatch):
    rng = np.random.default_rng(4)
    tri = ball(4)
    at = rng.uniform(-11, 11, (9000, 3))
    first = wraps(TriangleTree(tri), at)
    from_middle = np.linalg.norm(at, axis=1)
    clear = np.abs(from_middle - 10.0) > 0.05  # not between the facets and the sphere
    assert np.array_equal(first[clear], from_middle[clear] < 10.0)
    monkeypatch.setattr(threads, "THREADS", 1)
    assert np.array_equal(first, wraps(tri[rng.permutation(len(tri))], at))


def test_no_points():
    assert len(wraps(box(1, 1, 1), np.empty((0, 3)))) == 0


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_nearest_way_out_may_be_any_of_six(axis):
    for side in (-1.0, 1.0):
        at = np.zeros(3)
        at[axis] = side * 9.0
        assert wraps(ball(), [at]).tolist() == [1]
        at[axis] = side * 10.5
        assert wraps(ball(), [at]).tolist() == [0]
