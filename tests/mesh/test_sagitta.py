"""The estimated sagitta against the true distance between facets and the surface they stand for.

Truth: the surface's own distance function, at 325 points of every facet. The sagitta of an
inscribed n-gon, r (1 - cos(pi / n)), and e^2 / (6 R) for equilateral facets are elementary
geometry.
"""

import numpy as np
import pytest
import pyvista as pv
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, cKDTree

from geomcheck.errors import InputError
from geomcheck.mesh.sagitta import FACTOR, Sagitta, estimate
from geomcheck.mesh.soundness import Soundness, judge

STEPS = 24
WEIGHTS = (
    np.array([(i, j, STEPS - i - j) for i in range(STEPS + 1) for j in range(STEPS + 1 - i)])
    / STEPS
)


def truth(vertices, faces, distance):
    """(outward, inward): how far the surface lies outside and inside each facet."""
    points = np.einsum("bk,mkc->mbc", WEIGHTS, vertices[faces])
    d = distance(points.reshape(-1, 3)).reshape(len(faces), -1)
    return np.maximum(-d, 0).max(axis=1), np.maximum(d, 0).max(axis=1)


def ratios(vertices, faces, distance, of=None):
    """Estimate over truth, on facets that stand for a curved surface."""
    found = estimate(vertices, faces, judge(vertices, faces))
    out, inward = truth(vertices, faces, distance)
    real = np.maximum(out, inward)
    given_ = np.maximum(found.outward, found.inward)
    keep = np.ones(len(faces), dtype=bool) if of is None else of(vertices[faces])
    keep &= real > 1e-2 * real[keep].max()
    return given_[keep] / real[keep]


def grid(fn, us, vs, closed_u=False, closed_v=False):
    points = np.array([[fn(u, v) for v in vs] for u in us], dtype=float).reshape(-1, 3)
    nu, nv = len(us), len(vs)
    faces = []
    for i in range(nu if closed_u else nu - 1):
        for j in range(nv if closed_v else nv - 1):
            a, b = i * nv + j, (i + 1) % nu * nv + j
            c, d = (i + 1) % nu * nv + (j + 1) % nv, i * nv + (j + 1) % nv
            faces += [(a, b, c), (a, c, d)]
    return points, np.array(faces)


def turn(n):
    return np.arange(n) / n * 2 * np.pi


def cylinder(r):
    return lambda p: np.hypot(p[:, 0], p[:, 1]) - r


def tube(us, vs, r=10.0):
    return grid(lambda u, v: (r * np.cos(u), r * np.sin(u), v), us, vs, closed_u=True)


@pytest.mark.parametrize("n", [8, 9, 12, 16, 32, 64, 128, 256])
def test_cylinder_is_exact_but_for_the_factor(n):
    mesh = trimesh.creation.cylinder(10, 30, sections=n)
    found = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    side = np.abs(mesh.face_normals[:, 2]) < 0.5
    sagitta = 10 * (1 - np.cos(np.pi / n))
    np.testing.assert_allclose(found.outward[side], FACTOR * sagitta, rtol=1e-9)
    np.testing.assert_array_equal(found.outward[~side], 0.0)
    np.testing.assert_array_equal(found.inward, 0.0)


def test_cylinder_of_seven_sides_is_a_prism():
    mesh = trimesh.creation.cylinder(10, 30, sections=7)
    found = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    assert found.largest == 0.0


def test_bore_stands_inward_and_wall_outward():
    mesh = trimesh.creation.annulus(10, 20, 30, sections=48)
    found = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    sagitta = 1 - np.cos(np.pi / 48)
    assert found.outward.max() == pytest.approx(FACTOR * 20 * sagitta, rel=1e-9)
    assert found.inward.max() == pytest.approx(FACTOR * 10 * sagitta, rel=1e-9)
    assert not ((found.outward > 0) & (found.inward > 0)).any()


def extruded(profile, depth=40.0):
    mesh = trimesh.creation.extrude_polygon(shapely.Polygon(profile), depth)
    return estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))


@pytest.mark.parametrize("angle", [2, 5, 10, 20, 30, 40])
def test_single_folds_between_flats_are_edges(angle):
    t = np.radians(angle)
    rise = 50 * np.tan(t / 2)
    roof = [(0, 0), (100, 0), (100, 20), (50, 20 + rise), (0, 20)]
    assert extruded(roof).largest == 0.0
    draft = [(0, 0), (60, 0), (60, 30), (60 - 30 * np.tan(t), 60), (0, 60)]
    assert extruded(draft).largest == 0.0
    end = np.array([50 + 50 * np.cos(t), 50 * np.sin(t)])
    up = end + 2 * np.array([-np.sin(t), np.cos(t)])
    sheet = [(0, 0), (50, 0), tuple(end), tuple(up), (50 - 2 * np.tan(t / 2), 2), (0, 2)]
    assert extruded(sheet).largest == 0.0


@pytest.mark.parametrize("size", [0.5, 1, 3])
def test_chamfers_are_edges(size):
    q = size
    frame = [(q, 0), (60 - q, 0), (60, q), (60, 30 - q), (60 - q, 30), (q, 30), (0, 30 - q), (0, q)]
    assert extruded(frame).largest == 0.0
    steep = [(0, 0), (60, 0), (60, 30 - q * np.sqrt(3)), (60 - q, 30), (0, 30)]
    assert extruded(steep).largest == 0.0


def test_zigzag_is_made_of_edges():
    teeth = [(10 * i, 3.5 if i % 2 else 0) for i in range(8)]
    assert extruded([*teeth, (70, -20), (0, -20)]).largest == 0.0


def fold(widths, angles):
    """Outward stand-off of flats of these widths one after the other, folded by these degrees."""
    heading = -np.radians(np.r_[0, np.cumsum(angles)])
    steps = np.array(widths)[:, None] * np.c_[np.cos(heading), np.sin(heading)]
    line = np.vstack([[0, 0], np.cumsum(steps, axis=0)])
    points, faces = grid(lambda u, v: (line[u, 0], v, line[u, 1]), range(len(line)), [0, 40])
    return estimate(points, faces, judge(points, faces)).outward[::2]


def test_a_slight_fold_does_not_carry_a_strong_one_on():
    assert fold([50, 50, 50], [10, 0.5]).max() < 50 / 8 * np.radians(1)


def test_wide_panels_beside_a_narrow_one_are_planes():
    found = fold([150, 36, 60], [22, 22])
    assert 0 < found[0] < 0.5 * found[1]


def test_a_plane_before_a_fillet_carries_no_fold_on():
    chord = 2 * 8 * np.sin(np.radians(7.5))
    found = fold([50, 12, *[chord] * 6, 40], [20, 7.5, *[15] * 5, 7.5])
    sagitta = 8 * (1 - np.cos(np.radians(7.5)))
    assert found[0] == 0.0
    np.testing.assert_allclose(found[2:-1], FACTOR * sagitta, rtol=1e-6)
    np.testing.assert_allclose(found[[1, -1]], 0.4 * FACTOR * sagitta, rtol=1e-6)


def test_planes_between_large_fillets_are_planes():
    arc = np.linspace(0, np.pi / 2, 5)
    turns = [arc + k * np.pi / 2 for k in range(4)]
    middle = [(15, 15), (-15, 15), (-15, -15), (15, -15)]
    outline = np.vstack(
        [np.add(m, 20 * np.c_[np.cos(t), np.sin(t)]) for m, t in zip(middle, turns, strict=True)]
    )
    found = extruded(outline)
    sagitta = 20 * (1 - np.cos(np.pi / 16))
    assert found.largest == pytest.approx(FACTOR * sagitta, rel=1e-6)


def test_two_like_folds_in_a_row_are_a_curve():
    # An arc of 60 degrees in three facets, and nothing tells it from a tray of three panels.
    at = np.linspace(0, np.pi / 3, 4)
    r = ratios(*grid(lambda u, v: (10 * np.cos(u), 10 * np.sin(u), v), at, [0, 30]), cylinder(10))
    np.testing.assert_allclose(r, FACTOR, rtol=1e-6)


def test_box_has_none():
    mesh = trimesh.creation.box((10, 20, 30))
    assert estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces)).largest == 0.0


@pytest.mark.parametrize("along", [2, 5, 40])
def test_subdivided_cylinder_is_exact(along):
    r = ratios(*tube(turn(32), np.linspace(0, 30, along)), cylinder(10))
    np.testing.assert_allclose(r, FACTOR, rtol=1e-6)


@pytest.mark.parametrize(
    "pattern",
    [[1, 1.5], [1, 2], [1, 3], [1, 5], [1, 1, 4], [1, 4, 4], [1, 1, 1, 6], [3, 1, 1, 1, 1, 1, 1]],
    ids=str,
)
def test_uneven_strips(pattern):
    r = bar(np.tile(pattern, 60 // int(sum(pattern))))
    assert r.min() > 0.998 * FACTOR
    assert r.max() < 1.02 * FACTOR


@pytest.mark.parametrize("seed", range(4))
def test_strips_of_random_widths(seed):
    r = bar(np.exp(0.5 * np.random.default_rng(seed).normal(size=48)))
    assert r.min() > 0.998 * FACTOR
    assert np.median(r) == pytest.approx(FACTOR, rel=0.01)


def bar(widths):
    """Ratios on the side of a solid bar cut into strips of these widths."""
    at = np.cumsum(widths) / np.sum(widths) * 2 * np.pi
    mesh = trimesh.creation.extrude_polygon(shapely.Polygon(10 * np.c_[np.cos(at), np.sin(at)]), 30)
    return ratios(mesh.vertices, mesh.faces, cylinder(10), lambda t: np.ptp(t[:, :, 2], axis=1) > 1)


def test_ellipse_cut_to_one_chord_tolerance():
    a, b = 40.0, 15.0
    t = np.linspace(0, 2 * np.pi, 20001)
    speed = np.hypot(a * np.sin(t), b * np.cos(t))
    length = np.cumsum(speed * np.sqrt(a * b / speed**3))
    at = np.interp(np.arange(40) / 40 * length[-1], length, t)
    points, faces = grid(lambda u, v: (a * np.cos(u), b * np.sin(u), v), at, [0, 30], closed_u=True)
    curve = cKDTree(np.c_[a * np.cos(t), b * np.sin(t)])
    r = ratios(points, faces, lambda p: -curve.query(p[:, :2])[0])
    assert r.min() > 1.2
    assert r.max() < 1.7


@pytest.mark.parametrize("n", [8, 12, 16, 32])
@pytest.mark.parametrize("shift", [0, 0.3, 0.5])
def test_wave_in_strips(n, shift):
    at = (np.arange(3 * n + 1) + shift) / n * 10 * np.pi
    wave = np.c_[at, 5 * np.sin(at / 5)]
    block = shapely.Polygon([*wave, (at[-1], -20), (at[0], -20)])
    mesh = trimesh.creation.extrude_polygon(block, 30)
    u = np.linspace(-5, 110, 100001)
    curve = cKDTree(np.c_[u, 5 * np.sin(u / 5)])

    def inner(t):
        """On the wave, away from the two ends where it stops at nothing."""
        x = t[:, :, 0].mean(axis=1)
        on = (t[:, :, 1] > -6).all(axis=1) & (np.ptp(t[:, :, 2], axis=1) > 1)
        return on & (x > at[1]) & (x < at[-2])

    r = ratios(mesh.vertices, mesh.faces, lambda p: -curve.query(p[:, :2])[0], inner)
    assert len(r) > 4 * n
    assert r.min() > 1.0
    assert np.median(r) < 2.5


def sphere(p):
    return np.linalg.norm(p, axis=1) - 10


@pytest.mark.parametrize("level", [1, 2, 3, 4])
def test_icosphere(level):
    mesh = trimesh.creation.icosphere(level, 10)
    r = ratios(mesh.vertices, mesh.faces, sphere)
    assert r.min() > 1.2
    assert r.max() < 1.3


@pytest.mark.parametrize("count", [(5, 8), (8, 16), (32, 32), (64, 12), (8, 64)])
def test_sphere_of_meridians(count):
    mesh = trimesh.creation.uv_sphere(10, count=count)
    r = ratios(mesh.vertices, mesh.faces, sphere)
    assert r.min() > 1.15
    assert r.max() < 1.55


def ring(p):
    return np.hypot(np.hypot(p[:, 0], p[:, 1]) - 40, p[:, 2]) - 10


def on_ring(u, v):
    rho = 40 + 10 * np.cos(v)
    return rho * np.cos(u), rho * np.sin(u), 10 * np.sin(v)


@pytest.mark.parametrize(
    ("around", "tube_", "least", "most"),
    [
        (64, 64, 1.2, 1.5),
        (32, 16, 1.2, 1.4),
        (128, 16, 1.2, 1.3),
        (24, 128, 1.0, 2.8),
        (16, 64, 1.0, 2.8),
        (128, 8, 1.15, 1.3),
        (16, 8, 1.15, 1.4),
        (8, 8, 1.1, 2.1),
        (8, 32, 0.75, 5.0),
    ],
)
def test_torus(around, tube_, least, most):
    r = ratios(*grid(on_ring, turn(around), turn(tube_), True, True), ring)
    assert r.min() > least
    assert r.max() < most


def test_torus_in_uneven_steps():
    u, v = np.cumsum(np.tile([1, 3], 16)) / 64, np.cumsum(np.tile([1, 3], 8)) / 32
    r = ratios(*grid(on_ring, u * 2 * np.pi, v * 2 * np.pi, True, True), ring)
    assert r.min() > 1.1
    assert np.median(r) < 1.4


@pytest.mark.parametrize("share", [0.8, 0.9])
@pytest.mark.parametrize("shape", ["sphere", "torus"])
def test_decimated(shape, share):
    """Edges collapsed by VTK by the error quadric, the corners put back on the surface."""
    if shape == "sphere":
        mesh = trimesh.creation.icosphere(5, 10)
        points, faces, distance = mesh.vertices, mesh.faces, sphere
    else:
        points, faces = grid(on_ring, turn(160), turn(64), True, True)
        distance = ring
    thin = pv.PolyData.from_regular_faces(points, faces).decimate(share)
    points = np.array(thin.points, dtype=float)
    axis = np.zeros_like(points)
    if shape == "torus":
        axis[:, :2] = 40 * points[:, :2] / np.hypot(*points[:, :2].T)[:, None]
    off = points - axis
    points = axis + 10 * off / np.linalg.norm(off, axis=1)[:, None]
    r = ratios(points, np.asarray(thin.regular_faces), distance)
    assert r.min() > 0.75
    assert np.mean(r < 1.0) < 0.015
    assert np.percentile(r, 99) < 3.2


@pytest.mark.parametrize(("around", "along"), [(16, 12), (32, 24), (64, 12), (12, 60)])
def test_turned_wave(around, along):
    points, faces = grid(
        lambda u, v: (
            (20 + 3 * np.sin(v / 10)) * np.cos(u),
            (20 + 3 * np.sin(v / 10)) * np.sin(u),
            v,
        ),
        turn(around),
        np.linspace(0, 60, along),
        closed_u=True,
    )

    def distance(p):
        rise = np.sqrt(1 + (0.3 * np.cos(p[:, 2] / 10)) ** 2)
        return (np.hypot(p[:, 0], p[:, 1]) - 20 - 3 * np.sin(p[:, 2] / 10)) / rise

    r = ratios(points, faces, distance)
    assert r.min() > 1.1
    assert r.max() < 3.2


@pytest.mark.parametrize(("count", "share"), [(20, 0.01), (40, 0.005)])
def test_wavy_sheet_up_to_its_border(count, share):
    def height(x, y):
        return 3 * np.sin(x / 8) * np.cos(y / 11)

    def distance(p):
        x, y = p[:, 0], p[:, 1]
        slope = np.hypot(
            3 / 8 * np.cos(x / 8) * np.cos(y / 11), 3 / 11 * np.sin(x / 8) * np.sin(y / 11)
        )
        return (p[:, 2] - height(x, y)) / np.hypot(1, slope)

    at = np.linspace(0, 50, count), np.linspace(0, 70, count)
    r = ratios(*grid(lambda u, v: (u, v, height(u, v)), *at), distance)
    assert r.min() > 0.75
    assert np.mean(r < 1.0) < share
    assert np.median(r) < 2.0


@pytest.mark.parametrize("twist", [0, 0.01, 0.03])
def test_straight_pipe_between_bends_is_straight(twist):
    # A closed ring: two half turns of radius 30 and two runs of 200 mm, a pipe of radius 6. Where
    # the rings are turned against one another along a run its facets are no quadrangles.
    arc = np.linspace(0, np.pi, 13)
    rings = [(a, 100.0, 0.0) for a in arc] + [(a + np.pi, -100.0, twist) for a in arc]

    def at(i, v):
        a, shift, turned = rings[i]
        out = 30 + 6 * np.cos(v + turned)
        return out * np.cos(a), out * np.sin(a) + shift, 6 * np.sin(v + turned)

    points, faces = grid(at, range(len(rings)), turn(24), True, True)
    found = estimate(points, faces, judge(points, faces))
    most = 6 * (1 - np.cos(np.pi / 24)) + 36 * (1 - np.cos(np.pi / 24))
    assert found.outward.max() < (1.3 if twist == 0 else 2.5) * most  # of the bends' outer side
    assert found.inward.max() < 2.5 * most


def test_cone_in_strips_and_in_one_fan():
    lean = np.cos(np.arctan(0.3))

    def distance(p):
        return (np.hypot(p[:, 0], p[:, 1]) - (30 - 0.3 * p[:, 2])) * lean

    strips = grid(
        lambda u, v: ((30 - 0.3 * v) * np.cos(u), (30 - 0.3 * v) * np.sin(u), v),
        turn(32),
        [0, 60],
        closed_u=True,
    )
    r = ratios(*strips, distance)
    assert r.min() > 1.2
    assert r.max() < 2.2
    foot = np.c_[30 * np.cos(turn(32)), 30 * np.sin(turn(32)), np.zeros(32)]
    fan = np.vstack([foot, [0, 0, 100]]), np.array([(i, (i + 1) % 32, 32) for i in range(32)])
    r = ratios(*fan, distance)
    assert r.min() > 1.2
    assert r.max() < 1.3


@pytest.mark.parametrize("cells", [12, 30])
def test_saddle_bulges_both_ways(cells):
    radius = 100.0
    points, faces = grid(
        lambda u, v: (u, v, (u * u - v * v) / (2 * radius)),
        np.linspace(-30, 30, 13),
        np.linspace(-30, 30, cells + 1),
    )

    def distance(p):
        rise = np.sqrt(1 + (p[:, 0] ** 2 + p[:, 1] ** 2) / radius**2)
        return (p[:, 2] - (p[:, 0] ** 2 - p[:, 1] ** 2) / (2 * radius)) / rise

    r = ratios(points, faces, distance)
    assert r.min() > 1.2
    assert r.max() < 2.6
    # A solid's facing tells the sides apart: convex one way, concave the other.
    sided = estimate(points, faces, Soundness("closed"))
    middle = np.abs(points[faces].mean(axis=1)[:, :2]).max(axis=1) < 20
    assert (sided.outward[middle] > 0).all()
    assert (sided.inward[middle] > 0).all()


@pytest.mark.parametrize("steps", [2, 3, 4, 8])
def test_fillet_between_planes(steps):
    arc = np.linspace(0, np.pi / 2, steps + 1)
    profile = [(-50, 0), *((5 * np.sin(t), 5 * np.cos(t) - 5) for t in arc), (5, -55)]
    points, faces = grid(
        lambda u, v: (profile[u][0], v, profile[u][1]), range(len(profile)), [0, 40]
    )

    def distance(p):
        x, z = p[:, 0], p[:, 2]
        return np.where((x >= 0) & (z >= -5), np.hypot(x, z + 5) - 5, np.where(x < 0, z, x - 5))

    np.testing.assert_allclose(ratios(points, faces, distance), FACTOR, rtol=1e-6)
    sagitta = 5 * (1 - np.cos(np.pi / 4 / steps))
    found = estimate(points, faces, judge(points, faces))
    assert found.largest == pytest.approx(FACTOR * sagitta, rel=1e-6)
    planes = [0, 1, -2, -1]
    np.testing.assert_allclose(found.outward[planes], 0.4 * FACTOR * sagitta, rtol=1e-6)


def test_lone_strip_between_planes():
    end = np.radians(30)
    x, z = 5 * np.sin(end), 5 * np.cos(end) - 5
    profile = [(-50, 0), (0, 0), (x, z), (x + 50 * np.cos(end), z - 50 * np.sin(end))]
    points, faces = grid(lambda u, v: (profile[u][0], v, profile[u][1]), range(4), [0, 40])
    found = estimate(points, faces, judge(points, faces))
    np.testing.assert_allclose(found.outward[2:4], FACTOR * 5 * (1 - np.cos(end / 2)), rtol=1e-6)


def test_cylinder_cut_by_another_is_covered_in_every_sliver():
    rod = trimesh.creation.cylinder(8, 200, sections=64)
    rod.apply_transform(trimesh.transformations.rotation_matrix(1.2, (0, 1, 0.3)))
    mesh = trimesh.boolean.union(
        [trimesh.creation.cylinder(20, 60, sections=96), rod], engine="manifold"
    )

    def side(t):
        on = (np.abs(np.hypot(t[:, :, 0], t[:, :, 1]) - 20) < 1e-2).all(axis=1)
        return on & (np.abs(t[:, :, 2]) < 29.99).any(axis=1)

    r = ratios(mesh.vertices, mesh.faces, cylinder(20), side)
    assert len(r) > 190
    assert r.min() > 0.99


def test_scattered_points_on_a_sphere():
    rng = np.random.default_rng(1)
    points = rng.normal(size=(1000, 3))
    points *= 10 / np.linalg.norm(points, axis=1)[:, None]
    mesh = trimesh.Trimesh(points, ConvexHull(points).simplices)
    mesh.fix_normals()
    r = ratios(mesh.vertices, mesh.faces, lambda p: np.linalg.norm(p, axis=1) - 10)
    assert np.mean(r < 1.0) < 0.03
    assert np.percentile(r, 99) < 3.0


def test_needles_that_fill_a_t_junction_hide_nothing():
    # Three strips of a cylinder; the edge between the first two is split on one side only, and a
    # triangle without area fills the slit.
    points, faces = tube(turn(32), [0, 30])
    points, faces = points[:8], faces[:6]  # strips 0 to 2; vertices 2 and 3 are the edge between
    middle = len(points)
    points = np.vstack([points, (points[2] + points[3]) / 2])
    strip = faces[2:4]
    split = []
    for a, b, c in strip:
        corners = [a, b, c]
        k = next((k for k in range(3) if {corners[k], corners[(k + 1) % 3]} == {2, 3}), None)
        if k is None:
            split.append(corners)
        else:
            p, q, r = corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]
            split += [[p, middle, r], [middle, q, r], [q, middle, p]]
    faces = np.vstack([faces[:2], split, faces[4:]])
    sound = judge(points, faces)
    assert sound.zero_area == 1
    found = estimate(points, faces, sound)
    sagitta = 10 * (1 - np.cos(np.pi / 32))
    np.testing.assert_allclose(found.outward, FACTOR * sagitta, rtol=1e-6)


def test_crowded_and_doubled_triangles_keep_their_curvature():
    points, faces = tube(turn(32), [0, 30])
    found = estimate(points, np.vstack([faces, faces]), judge(points, np.vstack([faces, faces])))
    assert (found.outward > 0.99 * 10 * (1 - np.cos(np.pi / 32))).all()


def test_open_and_soup_get_both_sides():
    points, faces = tube(turn(32), [0, 30])
    found = estimate(points, faces, judge(points, faces))
    np.testing.assert_array_equal(found.outward, found.inward)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    st.integers(0, 10**6),
    st.floats(0.01, 100),
)
def test_moves_turns_order_and_scale(seed, scale):
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.capsule(20, 8, count=(12, 16))
    first = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    turned = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    points = scale * (mesh.vertices @ turned.T + rng.normal(size=3) * 5)
    row = rng.permutation(len(mesh.faces))
    shift = rng.integers(0, 3, len(row))
    faces = mesh.faces[row][np.arange(len(row))[:, None], (np.arange(3) + shift[:, None]) % 3]
    again = estimate(points, faces, judge(points, faces))
    np.testing.assert_allclose(again.outward, scale * first.outward[row], rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(again.inward, scale * first.inward[row], rtol=1e-5, atol=1e-9)


def test_inverted_mesh_swaps_nothing_but_is_no_solid():
    mesh = trimesh.creation.icosphere(2, 10)
    mesh.invert()
    found = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    np.testing.assert_array_equal(found.outward, found.inward)
    assert found.outward.min() > 0.1


def test_declared():
    bound = Sagitta.declared(0.05, 4)
    assert bound.outward.tolist() == bound.inward.tolist() == [0.05] * 4
    assert bound.source == "declared"
    assert bound.widened(0.01).largest == pytest.approx(0.06)
    for wrong in (-0.1, float("nan"), float("inf")):
        with pytest.raises(InputError, match="makes no sense"):
            Sagitta.declared(wrong, 4)
