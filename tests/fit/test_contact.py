"""Flat contact: proved, and never taken for contact where insides meet."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.transformations import rotation_matrix

from geomcheck.fit.body import Body
from geomcheck.fit.contact import examine_contact
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.pieces import Piece

FIXED = settings(derandomize=True, deadline=None, max_examples=12)


def cubes(full, size):
    """The outside of the unit cubes marked in a (3, 3, 3) array, two triangles a square."""
    triangles = []
    for cube in np.argwhere(full):
        for axis in range(3):
            for end in (0, 1):
                beside = cube.copy()
                beside[axis] += 2 * end - 1
                if (beside >= 0).all() and (beside < full.shape).all() and full[tuple(beside)]:
                    continue
                u, v = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
                p = cube.astype(float)
                p[axis] += end
                square = [(p, p + u, p + u + v), (p, p + u + v, p + v)]
                triangles += [t if end else t[::-1] for t in square]
    return np.array(triangles) * size


@FIXED
@given(seed=st.integers(0, 2**20), halved=st.booleans(), apart=st.booleans(), turned=st.booleans())
def test_sets_of_cubes_touch_unless_they_share_a_cube(seed, halved, apart, turned):
    """Every kind of contact: faces, parts of faces, edges, corners, coincident pieces.

    Whether the sets share a cube is a matter of counting. Those that only touch must be said to
    touch, with no overlap left open.
    """
    rng = np.random.default_rng(seed)
    a = rng.random((3, 3, 3)) < rng.uniform(0.1, 0.6)
    b = rng.random((3, 3, 3)) < rng.uniform(0.1, 0.6)
    if apart:
        b &= ~a
    if not (a.any() and b.any()):
        return
    fine = np.repeat(np.repeat(np.repeat(b, 2, 0), 2, 1), 2, 2)
    meshes = [cubes(a, 10.0), cubes(fine, 5.0) if halved else cubes(b, 10.0)]
    if turned:
        matrix = rotation_matrix(rng.uniform(0, 3), rng.normal(size=3))[:3, :3]
        meshes = [mesh @ matrix.T + np.array([13.0, -7.0, 3.0]) for mesh in meshes]
    gap = measure_gap(*(Body.of(mesh, 0.0) for mesh in meshes), volume=False)
    if (a & b).any():
        assert gap.state not in ("apart", "touching")
        assert gap.quantity.high < -1.0
    else:
        assert gap.state in ("apart", "touching")
        assert gap.quantity.low >= 0.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_flat_contact_of_other_triangles(seed, box):
    """A plate of many uneven triangles on a block of twelve."""
    rng = np.random.default_rng(seed)
    plate = box(30, 20, 4).mesh.subdivide().subdivide()
    inner = np.abs(plate.vertices[:, :2]).max(axis=1) < 9.9
    plate.vertices[inner, :2] += rng.uniform(-0.8, 0.8, (int(inner.sum()), 2))
    turn = rotation_matrix(0.3 * seed, (0, 0, 1))
    gap = measure_gap(
        box(24, 24, 10).mesh, plate.apply_transform(turn).apply_translation((1.5, 2.5, 7.0))
    )
    assert gap.state == "touching"
    assert gap.quantity.low == 0.0
    assert np.abs(gap.direction) == pytest.approx((0, 0, 1), abs=1e-9)


def test_bearing_in_a_bore_of_the_same_facets():
    """Contact all round, on faces that lean in every direction."""
    bore = trimesh.creation.annulus(r_min=10, r_max=16, height=12, sections=32)
    pin = trimesh.creation.cylinder(radius=10, height=20, sections=32)
    pin.vertices[:, :2] = _snapped(pin.vertices[:, :2], bore.vertices[:, :2])
    gap = measure_gap(Body.of(bore, 0.0), Body.of(pin, 0.0))
    assert gap.state == "touching" and gap.quantity.low == 0.0


def _snapped(points, onto):
    """Each point moved to the one of ``onto`` that is nearest, where that is very near."""
    away = np.linalg.norm(points[:, None] - onto[None], axis=2)
    nearest = onto[away.argmin(axis=1)]
    return np.where((away.min(axis=1) < 1e-6)[:, None], nearest, points)


def test_a_little_into_one_another_is_not_proved_away(box):
    """Half a micrometre of overlap, above what float32 corners cannot tell."""
    a = Body.of(box(0.5, 0.5, 0.5).mesh)
    for deep, least in ((5e-4, 4.9e-4), (1e-6, 0.9e-6)):
        gap = measure_gap(a, box(0.4, 0.4, 0.4).moved(0.45 - deep, 0, 0).mesh)
        assert gap.state == "overlapping"
        assert gap.depth >= least


@pytest.mark.parametrize("reach", [-3e-7, -1e-8, 0.0, 1e-8, 3e-7])
def test_a_bound_covers_what_it_says(reach, box):
    """Faces up to 3e-7 mm into one another or apart, at a contact distance of 4e-7 mm."""
    a, b = (Body.of(m) for m in (box(2, 2, 2).mesh, box(1, 1, 1).moved(1.5 - reach, 0, 0).mesh))
    found = examine_contact(Piece.whole(b), b, a, 4e-7)
    if reach <= 1e-8:
        assert found.bound is not None and found.bound < 5e-7
    if found.bound is not None:
        assert found.bound >= reach


def test_what_lies_in_the_material_is_left_to_the_search(box):
    a, b = (Body.of(m) for m in (box(10, 10, 10).mesh, box(10, 10, 10).moved(5, 0, 0).mesh))
    assert examine_contact(Piece.whole(b), b, a, 1e-5).bound is None
    same = examine_contact(Piece.whole(a), a, Body.of(box(10, 10, 10).mesh), 1e-5)
    assert same.bound is None and len(same.shared) >= 12
    for point, way, row in same.shared:
        assert np.abs(point).max() == pytest.approx(5.0)
        assert point @ way < 0  # into the box
        assert 0 <= row < 12


def test_a_piece_inside_is_seen_beside_one_that_touches(box):
    a = Body.of(box(10, 10, 10).mesh)
    both = trimesh.util.concatenate([box(2, 2, 2).moved(6, 0, 0).mesh, box(2, 2, 2).mesh])
    b = Body.of(both)
    assert examine_contact(Piece.whole(b), b, a, 1e-5).bound is None


def test_a_sheet_across_the_bore_of_a_solid_is_inside(box):
    """Its rim lies on the walls; only its middle tells."""
    a = Body.of(box(10, 10, 10).mesh)
    sheet = Body.of(
        np.array([[[-5, -5, 1], [5, -5, 1], [5, 5, 1]], [[-5, -5, 1], [5, 5, 1], [-5, 5, 1.0]]])
    )
    assert examine_contact(Piece.whole(sheet), sheet, a, 1e-5).bound is None
    over = Body.of(sheet.triangles + np.array([0.0, 0.0, 4.0]))
    assert examine_contact(Piece.whole(over), over, a, 1e-5).bound <= 1e-5


def test_a_rod_through_a_plate_is_seen_though_no_middle_is_inside(box):
    rod, plate = Body.of(box(1, 1, 61).moved(0.2, 0.1, 0.5).mesh), Body.of(box(10, 10, 2).mesh)
    assert not plate.contains(rod.triangles.mean(axis=1)).any()
    assert examine_contact(Piece.whole(rod), rod, plate, 1e-5).bound is None


@pytest.mark.parametrize("width", [1e-8, 1e-7, 1e-6, 1e-3])
def test_a_needle_thinner_than_the_contact_distance_is_not_passed_over(width, box):
    """It goes 5 mm into the plate, and none of its triangles can be cut at any width worth it."""
    plate = Body.of(box(40, 40, 10).mesh)
    tip = np.array([0.3, 0.4, 0.0])
    root = np.array([[0.3, 0.4, 7], [0.3 + width, 0.4, 7], [0.3, 0.4 + width, 7]])
    corners = np.vstack([root, tip])
    needle = corners[[[0, 1, 2], [1, 0, 3], [2, 1, 3], [0, 2, 3]]]
    body = Body.of(np.concatenate([needle, box(20, 10, 2).moved(0, 0, 6).mesh.triangles]))
    assert examine_contact(Piece.whole(body), body, plate, 1e-5).bound is None


def test_what_a_facet_cuts_halfway_is_not_settled(box):
    """A wall of the solid is missing, so the cuts through the sheet do not close."""
    whole = box(10, 10, 10).mesh.triangles
    sheet = np.array([[[-30, -20, 1], [30, -20, 1], [0, 40, 1.0]]])
    surface = Body.of(sheet)
    for row in np.flatnonzero(np.ptp(whole[:, :, 2], axis=1) > 1.0):
        torn = Body.of(np.delete(whole, row, axis=0))
        assert examine_contact(Piece.whole(surface), surface, torn, 1e-5).bound is None


@pytest.mark.parametrize("sections", [48, 47])
def test_contact_along_an_edge_only(sections, box):
    """A many-sided bar lies on a plate; nothing of either bounds a piece of the other."""
    bar = trimesh.creation.cylinder(5, 20, sections=sections)
    bar.apply_transform(rotation_matrix(np.pi / 2, (1, 0, 0)))
    bar.apply_translation((0, 0, 5 - bar.bounds[0, 2]))
    gap = measure_gap(Body.of(box(40, 40, 10).mesh, 0.0), Body.of(bar, 0.0))
    assert gap.state == "touching" and gap.quantity.low == 0.0


@FIXED
@given(seed=st.integers(0, 2**20), depth=st.sampled_from([0.0, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2]))
def test_no_overlap_above_the_contact_distance_is_called_contact(seed, depth, box):
    """A block set into a plate by a known depth, turned and shifted anyhow."""
    rng = np.random.default_rng(seed)
    matrix = rotation_matrix(rng.uniform(0, 6), rng.normal(size=3))
    matrix[:3, 3] = rng.uniform(-200, 200, 3)
    foot = box(20, 10, 10).moved(*rng.uniform(-8, 8, 2), 10 - depth)
    a, b = (Body.of(m.at(matrix).mesh, 0.0) for m in (box(40, 40, 10), foot))
    gap = measure_gap(a, b, volume=False)
    contact = max(a.resolution, b.resolution)
    if depth > 1.01 * contact:
        assert gap.state == "overlapping" and gap.quantity.high < 0.0
    elif gap.quantity.low >= 0.0:
        assert depth <= contact
    if depth == 0.0:
        assert gap.quantity.low == 0.0


def test_the_narrow_tip_of_a_triangle_is_asked(box):
    """3e-6 mm wide where it begins and 6e-7 mm where it goes into the block."""
    spike = Body.of(np.array([[[0, 0, 21], [3e-6, 0, 21], [0, 0, 1.0]]]))
    found = examine_contact(Piece.whole(spike), spike, Body.of(box(10, 10, 10).mesh), 1e-5)
    assert found.bound is None


def test_a_dent_that_touches_a_sheet_in_the_material(box):
    """The point asked lies on the surface, at the dent's deepest point; all else is inside."""
    dent = trimesh.convex.convex_hull([(0, 0, 1), (3, 3, 6), (-3, 3, 6), (-3, -3, 6), (3, -3, 6)])
    solid = trimesh.boolean.difference([box(10, 10, 10).mesh, dent], engine="manifold")
    sheet = Body.of(np.array([[[-1, -0.5, 1], [3, -0.5, 1], [1, 1.5, 1.0]]]))
    found = examine_contact(Piece.whole(sheet), sheet, Body.of(solid), 1e-5)
    assert found.bound is None or found.bound > 1.0
