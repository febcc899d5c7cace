"""Section kernels against all pairs, all triangles, shapely and trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.kernels import sections as kernel
from geomcheck.mesh.tree import TriangleTree

SEEDS = st.integers(0, 10**6)
FIXED = settings(derandomize=True, deadline=None, max_examples=30)


def frames_of(rng: np.random.Generator, count: int, reach: float) -> np.ndarray:
    out = np.empty((count, 12))
    for row in out:
        q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
        q *= np.sign(np.linalg.det(q))
        row[:3], row[3:] = rng.uniform(-reach, reach, 3), q.T.ravel()
    return out


def run_cut(
    mesh: trimesh.Trimesh, frames: np.ndarray, flush: float = 0.0
) -> tuple[np.ndarray, ...]:
    tree = TriangleTree(mesh.triangles)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int64)
    room = 100_000
    offsets, flat = np.zeros(len(frames) + 1, np.int64), np.zeros(len(frames), np.int64)
    names, points = np.empty((room, 2), np.int64), np.empty((room, 4))
    owner = np.empty(room, np.int64)
    count = kernel.cut(
        tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, faces, 0, frames, flush,
        offsets, names, points, owner, flat,
    )  # fmt: skip
    return offsets, names[:count], points[:count], owner[:count], flat


def noisy_ball(rng: np.random.Generator) -> trimesh.Trimesh:
    mesh = trimesh.creation.icosphere(2, 10)
    mesh.vertices += rng.normal(scale=0.3, size=mesh.vertices.shape)
    return mesh


@FIXED
@given(SEEDS)
def test_cut_finds_every_triangle_with_corners_on_both_sides(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = noisy_ball(rng)
    frames = frames_of(rng, 5, 8)
    offsets, names, points, owner, _ = run_cut(mesh, frames)
    for i, f in enumerate(frames):
        d = (mesh.vertices - f[:3]) @ f[9:12]
        front = (d >= 0)[mesh.faces].sum(axis=1)
        here = slice(offsets[i], offsets[i + 1])
        assert sorted(owner[here]) == np.flatnonzero((front > 0) & (front < 3)).tolist()
        a, b = names[here] >> 32, names[here] & 0xFFFFFFFF
        assert (a < b).all()
        assert ((d[a] >= 0) != (d[b] >= 0)).all()
        # The point on each edge lies in the plane and on the edge.
        t = (d[a] / (d[a] - d[b]))[..., None]
        where = mesh.vertices[a] + t * (mesh.vertices[b] - mesh.vertices[a]) - f[:3]
        xy = np.stack([where @ f[3:6], where @ f[6:9]], axis=-1)
        np.testing.assert_allclose(xy.reshape(-1, 4), points[here], atol=1e-11)


@FIXED
@given(SEEDS)
def test_every_edge_of_a_closed_mesh_starts_as_often_as_it_ends(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = noisy_ball(rng)
    frames = frames_of(rng, 4, 5)
    frames[0, :3] = mesh.vertices[rng.integers(len(mesh.vertices))]  # through a vertex
    frames[1, :3] = mesh.vertices[mesh.edges_unique[7]].mean(axis=0)
    offsets, names, points, _, _ = run_cut(mesh, frames)
    for i in range(4):
        here = slice(offsets[i], offsets[i + 1])
        assert sorted(names[here, 0]) == sorted(names[here, 1])
        turn, bounds, closed = kernel.chain(names[here])
        assert closed.all()
        assert sorted(turn) == list(range(offsets[i + 1] - offsets[i]))
        for c in range(len(closed)):
            loop = turn[bounds[c] : bounds[c + 1]]
            follower = np.roll(loop, -1)
            assert (names[here][loop, 1] == names[here][follower, 0]).all()
            # Ends and beginnings agree to the last bit.
            assert (points[here][loop, 2:] == points[here][follower, :2]).all()


@FIXED
@given(SEEDS)
def test_area_of_section_is_the_rate_of_the_volume(seed: int) -> None:
    # d volume / d height = area: trimesh's own volume of the part below the plane, twice.
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(2, 10)
    f = frames_of(rng, 1, 3)
    _, names, points, _, _ = run_cut(mesh, f)
    turn, bounds, _ = kernel.chain(names)
    _, _, _, area, _, _ = kernel.measure(points, turn, bounds, 1e-10)

    def below(step: float) -> float:
        part = trimesh.intersections.slice_mesh_plane(
            mesh, -f[0, 9:12], f[0, :3] + step * f[0, 9:12], cap=False
        )
        # The open part's flux from a point of the plane: the cap adds nothing.
        corners = part.triangles - (f[0, :3] + step * f[0, 9:12])
        return float(
            np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() / 6
        )

    rate = (below(1e-3) - below(-1e-3)) / 2e-3
    assert area.sum() == pytest.approx(rate, rel=1e-5)


def test_triangles_in_the_plane_are_counted() -> None:
    mesh = trimesh.creation.box((10, 10, 10))
    frames = np.tile(np.r_[0, 0, 0, np.eye(3).ravel()].astype(float), (4, 1))
    frames[:, 2] = [5, -5, 4.9999, 0]
    offsets, *_, flat = run_cut(mesh, frames, flush=1e-3)
    assert flat.tolist() == [2, 2, 2, 0]
    assert np.diff(offsets).tolist() == [8, 0, 8, 8]


def test_what_does_not_fit_is_counted() -> None:
    mesh = trimesh.creation.icosphere(2, 10)
    tree = TriangleTree(mesh.triangles)
    frames = np.r_[0.1, 0.2, 0.3, np.eye(3).ravel()][None]
    offsets, flat = np.zeros(2, np.int64), np.zeros(1, np.int64)
    args = (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf)
    count = kernel.cut(
        *args, np.ascontiguousarray(mesh.faces, dtype=np.int64), 0, frames, 0.0, offsets,
        np.empty((3, 2), np.int64), np.empty((3, 4)), np.empty(3, np.int64), flat,
    )  # fmt: skip
    assert count == len(run_cut(mesh, frames)[3])


def test_chains_of_a_torn_mesh_are_open_and_the_rest_closes() -> None:
    # Names by hand: a ring 1-2-3, and a path 10-11-12 that does not come back.
    names = np.array([[2, 3], [10, 11], [1, 2], [11, 12], [3, 1]])
    turn, bounds, closed = kernel.chain(names)
    chains = {tuple(turn[a:b]): c for a, b, c in zip(bounds[:-1], bounds[1:], closed, strict=True)}
    assert chains == {(1, 3): False, (0, 4, 2): True}


def test_two_loops_through_one_edge_both_close() -> None:
    # Four triangles at one edge: the node 5 begins two segments and ends two.
    names = np.array([[5, 1], [1, 5], [5, 2], [2, 5]])
    _, bounds, closed = kernel.chain(names)
    assert closed.tolist() == [True, True]
    assert bounds.tolist() == [0, 2, 4]


def test_an_edge_that_only_begins_segments_closes_nothing() -> None:
    _, _, closed = kernel.chain(np.array([[1, 2], [1, 3], [2, 4], [3, 4]]))
    assert not closed.any()


@FIXED
@given(SEEDS)
def test_chain_closes_shuffled_rings(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rings, name = [], 0
    for _ in range(rng.integers(1, 6)):
        ids = name + np.arange(rng.integers(2, 12))
        name = ids[-1] + 1
        rings.append(np.c_[ids, np.roll(ids, -1)])
    names = np.vstack(rings)
    mixed = names[rng.permutation(len(names))] * 1_000_003 << 7  # spread over the hash table
    _, bounds, closed = kernel.chain(mixed)
    assert closed.all()
    assert sorted(np.diff(bounds)) == sorted(len(r) for r in rings)


def loops_of(rings: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    lines = np.vstack([np.hstack([r, np.roll(r, -1, axis=0)]) for r in rings])
    offsets = np.r_[0, np.cumsum([len(r) for r in rings])].astype(np.int64)
    area = np.array([shapely.LinearRing(r).is_ccw * 2 - 1 for r in rings]) * np.array(
        [shapely.Polygon(r).area for r in rings]
    )
    box = np.array([np.r_[r.min(axis=0), r.max(axis=0)] for r in rings])
    return lines, offsets, area, box


def random_rings(rng: np.random.Generator, count: int) -> list[np.ndarray]:
    rings = []
    for _ in range(count):
        turn = 2 * np.pi * np.arange(rng.integers(4, 30)) / 1.0
        turn = np.sort(rng.uniform(0, 2 * np.pi, len(turn)))
        radius = rng.uniform(0.5, 6) * rng.uniform(0.8, 1.2, len(turn))
        ring = rng.uniform(-10, 10, 2) + np.c_[np.cos(turn), np.sin(turn)] * radius[:, None]
        rings.append(ring[::-1] if rng.uniform() < 0.5 else ring)
    return rings


@FIXED
@given(SEEDS)
def test_tangled_is_what_shapely_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rings = random_rings(rng, 9)
    lines, offsets, _, _ = loops_of(rings)
    found = kernel.tangled(lines, offsets, 1e-11)
    shapes = [shapely.LinearRing(r) for r in rings]
    for i, ring in enumerate(shapes):
        crossed = any(ring.intersects(other) for k, other in enumerate(shapes) if k != i)
        assert found[i] == (crossed or not ring.is_simple)


def test_touching_counts_as_tangled() -> None:
    square = np.array([(0, 0), (4, 0), (4, 4), (0, 4)], float)
    corner = square + np.array([4, 2])  # shares part of an edge
    far = square + np.array([20, 0])
    vertex = np.array([(20, 4), (22, 8), (18, 8)], float)  # touches a corner of far
    lines, offsets, _, _ = loops_of([square, corner, far, vertex])
    assert kernel.tangled(lines, offsets, 1e-11).all()
    lines, offsets, _, _ = loops_of([square, far, corner + np.array([0.1, 0])])
    assert not kernel.tangled(lines, offsets, 1e-11).any()


@FIXED
@given(SEEDS)
def test_winding_is_what_shapely_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rings = [r for r in random_rings(rng, 8) if shapely.Polygon(r).is_valid]
    if not rings:
        return
    lines, offsets, area, box = loops_of(rings)
    part = rng.integers(0, 3, len(rings))
    where = rng.uniform(-12, 12, (40, 2))
    found = kernel.winding(lines, offsets, part, box, 3, where)
    expected = np.zeros((40, 3), int)
    for ring, sign, number in zip(rings, np.sign(area), part, strict=True):
        inside = shapely.contains_xy(shapely.Polygon(ring), where[:, 0], where[:, 1])
        expected[:, number] += (sign * inside).astype(int)
    np.testing.assert_array_equal(found, expected)


def test_a_loop_that_runs_twice_round_counts_twice() -> None:
    square = np.array([(0, 0), (4, 0), (4, 4), (0, 4)], float)
    twice = np.vstack([square, square])
    lines = np.hstack([twice, np.roll(twice, -1, axis=0)])
    box = np.array([[0, 0, 4, 4]], float)
    found = kernel.winding(lines, np.array([0, 8]), np.array([0]), box, 1, np.array([[1.0, 2.0]]))
    assert found.tolist() == [[2]]


@FIXED
@given(SEEDS)
def test_nest_is_what_shapely_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rings: list[np.ndarray] = []
    for ring in random_rings(rng, 30):
        shape = shapely.LinearRing(ring)
        valid = shapely.Polygon(ring).is_valid
        if valid and not any(shape.intersects(shapely.LinearRing(r)) for r in rings):
            rings.append(ring)
    lines, offsets, area, box = loops_of(rings)
    part = rng.integers(0, 2, len(rings))
    parent, inside, home = kernel.nest(lines, offsets, part, box, area, 2)
    shapes = [shapely.Polygon(r) for r in rings]
    for i, shape in enumerate(shapes):
        round_it = [k for k, other in enumerate(shapes) if k != i and other.contains(shape)]
        smallest = min(round_it, key=lambda k: shapes[k].area, default=-1)
        assert parent[i] == smallest
        for number in (0, 1):
            turns = sum(int(np.sign(area[k])) for k in [*round_it, i] if part[k] == number)
            assert inside[i, number] == turns
    holding = [k for k, shape in enumerate(shapes) if shape.contains(shapely.Point(0, 0))]
    assert home == min(holding, key=lambda k: shapes[k].area, default=-1)


def test_measure_drops_what_has_no_length_and_keeps_the_outline_closed() -> None:
    ring = np.array([(0, 0), (4, 0), (4, 1e-13), (4, 3), (0, 3)], float)
    points = np.hstack([ring, np.roll(ring, -1, axis=0)])
    kept, lines, bounds, area, length, box = kernel.measure(
        points, np.arange(5), np.array([0, 5]), 1e-10
    )
    assert kept.tolist() == [0, 2, 3, 4]
    assert bounds.tolist() == [0, 4]
    np.testing.assert_array_equal(lines[:, 2:], np.roll(lines[:, :2], -1, axis=0))
    assert area[0] == pytest.approx(12.0, rel=1e-12)
    assert length[0] == pytest.approx(14.0, rel=1e-12)
    assert box.tolist() == [[0, 0, 4, 3]]
