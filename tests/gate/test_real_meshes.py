"""Meshes that nobody made for these tests, against libraries that others wrote.

The meshes are the samples inside the wheel of pyvista (``pyvista.examples``): nothing is fetched.
VTK (through pyvista) tells counts, areas, sections and insides; python-fcl and coal tell
distances; trimesh tells insides by rays. Where two of them disagree the case that decides is at
the end of this file.
"""

from __future__ import annotations

import functools
from pathlib import Path

import fcl
import numpy as np
import pytest
import pyvista as pv
import trimesh
from pyvista import examples
from trimesh.transformations import random_rotation_matrix

from geomcheck.errors import InputError
from geomcheck.fit.gap import measure_gap
from geomcheck.flow.section import Surface, cut
from geomcheck.mesh.load import load_part
from geomcheck.mesh.query import least_distance, winding_number
from geomcheck.mesh.wraps import wraps

#: The sample, the class it must be given and why.
SAMPLES = {
    "airplane": (examples.planefile, "open"),  # seven open shells, one edge with three triangles
    "ant": (examples.antfile, "closed"),  # fifteen closed bodies that reach into one another
    "nut": (examples.nutfile, "closed"),
    "sphere": (examples.spherefile, "closed"),
    "globe": (examples.globefile, "open"),  # a seam from pole to pole, triangles without area
    "beam": (examples.hexbeamfile, "closed"),
}
NAMES = tuple(SAMPLES)
CLOSED = tuple(name for name, (_, kind) in SAMPLES.items() if kind == "closed")
#: The globe is the size of the earth, in millimetres, and is refused at that size.
SHRINK = {"globe": 1e-8}


@functools.cache
def sample(name):
    """The sample's surface as triangles in double precision, and nothing but triangles."""
    mesh = pv.read(SAMPLES[name][0])
    if not isinstance(mesh, pv.PolyData):
        mesh = mesh.extract_surface(algorithm="dataset_surface")
    mesh = mesh.triangulate()
    return pv.PolyData.from_regular_faces(
        np.asarray(mesh.points, dtype=np.float64) * SHRINK.get(name, 1.0), mesh.regular_faces
    )


@functools.cache
def centred(name):
    """Vertices and faces about the origin, the largest extent 100 mm."""
    mesh = sample(name)
    low, high = np.reshape(mesh.bounds, (3, 2)).T
    vertices = (np.asarray(mesh.points) - (low + high) / 2) * (100.0 / (high - low).max())
    return np.ascontiguousarray(vertices), np.ascontiguousarray(mesh.regular_faces, dtype=np.int64)


def polydata(vertices, faces):
    return pv.PolyData.from_regular_faces(vertices, faces)


def edges(mesh, **which):
    kinds = ("boundary_edges", "non_manifold_edges", "feature_edges", "manifold_edges")
    return mesh.extract_feature_edges(**{kind: which.get(kind, False) for kind in kinds}).n_cells


# --- reading --------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["binary STL", "ASCII STL", "PLY"])
@pytest.mark.parametrize("name", NAMES)
def test_counts_and_class_as_vtk_has_them(name, form, tmp_path):
    """The file as VTK writes it, read by both; VTK joins the equal corners of an STL itself."""
    file = tmp_path / f"{name}{'.ply' if form == 'PLY' else '.stl'}"
    sample(name).save(file, binary=form != "ASCII STL")
    part = load_part(file, name=name)
    seen = pv.read(file).clean(tolerance=0.0)
    sound = part.soundness
    assert sound.kind == SAMPLES[name][1]
    assert (sound.triangles, sound.vertices) == (seen.n_cells, seen.n_points)
    assert sound.boundary_edges == edges(seen, boundary_edges=True)
    assert sound.crowded_edges == edges(seen, non_manifold_edges=True)
    assert sound.boundary_edges + sound.crowded_edges == seen.n_open_edges
    assert (sound.kind == "closed") == seen.is_manifold
    assert sound.bodies == seen.connectivity("all").point_data["RegionId"].max() + 1
    area = seen.compute_cell_sizes(length=False, volume=False)["Area"]
    # VTK reads the numbers of an ASCII STL in single precision.
    digits = 1e-6 if form == "ASCII STL" else 1e-9
    assert sound.area == pytest.approx(float(area.sum()), rel=digits)
    assert sound.zero_area == int((area < 1e-9 * area.max()).sum())
    assert part.bounds.T.ravel() == pytest.approx(seen.bounds, rel=digits, abs=1e-12)
    if sound.volume is not None:
        # VTK sums in the same way, from other origins.
        assert sound.volume == pytest.approx(seen.volume, rel=digits)


@pytest.mark.parametrize("name", ["airplane", "ant", "nut", "sphere"])
def test_the_wheels_own_files_are_read_as_they_are(name):
    """PLY with CR LF and comments, not written by us."""
    file = Path(SAMPLES[name][0])
    part, seen = load_part(file, name=name), pv.read(file)
    assert np.array_equal(part.triangles, np.asarray(seen.points, float)[seen.regular_faces])


def test_what_is_no_part_is_refused_for_the_right_reason(tmp_path):
    """The globe in its own size, 6371 km in millimetres."""
    file = tmp_path / "globe.stl"
    mesh = sample("globe")
    polydata(np.asarray(mesh.points) / SHRINK["globe"], mesh.regular_faces).save(file)
    with pytest.raises(InputError, match=r"globe\.stl.*further than 100 km"):
        load_part(file, name="globe")
    assert load_part(file, name="globe", factor=SHRINK["globe"]).soundness.holes == 1


# --- distances ------------------------------------------------------------------------------------


def _fcl(vertices, faces):
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(faces))
    model.addSubModel(vertices, faces)
    model.endModel()
    return fcl.CollisionObject(model)


def _fcl_distance(a, b):
    return fcl.distance(a, b, fcl.DistanceRequest(True), fcl.DistanceResult())


def _coal(vertices, faces):
    import coal

    model = coal.BVHModelOBBRSS()
    model.beginModel(len(faces), len(vertices))
    corners, triangles = coal.StdVec_Vec3s(), coal.StdVec_Triangle()
    for corner in vertices:
        corners.append(corner)
    for triangle in faces:
        triangles.append(coal.Triangle(*map(int, triangle)))
    model.addSubModel(corners, triangles)
    model.endModel()
    return model


def _coal_distance(a, b):
    import coal

    here = coal.Transform3s()
    return coal.distance(a, here, b, here, coal.DistanceRequest(), coal.DistanceResult())


PAIRS = [("ant", "nut"), ("airplane", "nut"), ("globe", "sphere"), ("airplane", "beam")]


@pytest.mark.parametrize("library", ["fcl", "coal"])
@pytest.mark.parametrize("pair", PAIRS, ids=" and ".join)
def test_distances_at_random_poses(pair, library):
    """Apart: the same to 1e-9 mm. Meeting: both say so. Nested surfaces count as apart here."""
    if library == "coal":
        pytest.importorskip("coal")
    build, distance = {"fcl": (_fcl, _fcl_distance), "coal": (_coal, _coal_distance)}[library]
    rng = np.random.default_rng(PAIRS.index(pair))
    (va, fa), (vb, fb) = (centred(name) for name in pair)
    peer = build(va, fa)
    met = apart = 0
    for _ in range(40):
        away = rng.normal(size=3)
        away *= rng.uniform(0.0, 120.0) / np.linalg.norm(away)
        turned = 0.6 * vb @ random_rotation_matrix(rng.random(3))[:3, :3].T + away
        placed = np.ascontiguousarray(turned)
        ours = least_distance(va[fa], placed[fb]).distance
        theirs = distance(peer, build(placed, fb))
        if ours == 0.0 or theirs <= 0.0:
            met += 1
            assert ours == 0.0
            assert theirs <= 0.0
        else:
            apart += 1
            assert ours == pytest.approx(theirs, rel=0, abs=1e-9)
    assert met >= 3
    assert apart >= 3


@pytest.mark.parametrize("pair", [("nut", "sphere"), ("airplane", "nut")], ids=" and ".join)
def test_gaps_at_random_poses(pair):
    """The public measurement: distance and state as python-fcl and the insides give them."""
    rng = np.random.default_rng(7)
    (va, fa), (vb, fb) = (centred(name) for name in pair)
    states = set()
    for _ in range(16):
        turned = 0.3 * vb @ random_rotation_matrix(rng.random(3))[:3, :3].T
        placed = np.ascontiguousarray(turned + rng.uniform(-45.0, 45.0, 3))
        gap = measure_gap(va[fa], placed[fb], volume=False)
        states.add(gap.state)
        theirs = _fcl_distance(_fcl(va, fa), _fcl(placed, fb))
        if gap.state == "apart":
            assert gap.distance == pytest.approx(theirs, rel=0, abs=1e-9)
            assert gap.quantity.low <= theirs + 1e-9
            assert gap.quantity.high >= theirs - 1e-9
        elif gap.state == "overlapping":
            assert theirs <= 0.0
    assert {"apart", "overlapping"} <= states


# --- sections -------------------------------------------------------------------------------------


def _planes(name, count, seed):
    vertices, _ = centred(name)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    rng = np.random.default_rng(seed)
    for _ in range(count):
        turn = random_rotation_matrix(rng.random(3))[:3, :3]
        yield low + (high - low) * rng.uniform(0.05, 0.95, 3), turn


def _cut(vertices, faces, origin, turn):
    """Our section, its whole length with what does not close, and VTK's slice."""
    (section,) = cut([Surface(vertices, faces)], np.concatenate([origin, turn.ravel()])[None])
    loose = section.open_lines
    length = section.length.sum() + np.linalg.norm(loose[:, 2:] - loose[:, :2], axis=1).sum()
    return section, length, polydata(vertices, faces).slice(normal=turn[2], origin=origin)


def _area(sliced):
    """Area VTK finds within the outlines of a slice."""
    return float(sliced.triangulate_contours().area) if sliced.n_cells else 0.0


@pytest.mark.parametrize("name", NAMES)
def test_sections_at_random_planes(name):
    compared = 0
    for origin, turn in _planes(name, 25, 3):
        section, length, sliced = _cut(*centred(name), origin, turn)
        theirs = float(sliced.compute_cell_sizes()["Length"].sum()) if sliced.n_cells else 0.0
        assert length == pytest.approx(theirs, rel=1e-9, abs=1e-9)
        compared += theirs > 0.0
        if name in CLOSED:
            assert len(section.open_lines) == 0
        if name in CLOSED and name != "ant":  # the ant: see the case below
            assert section.area.sum() == pytest.approx(_area(sliced), rel=1e-9, abs=1e-9)
    assert compared >= 12


# --- inside ---------------------------------------------------------------------------------------


def _inside_by_vtk(points, vertices, faces):
    """By the sign of VTK's distance, the method its manual calls the more reliable."""
    chosen = pv.PolyData(points).select_interior_points(polydata(vertices, faces))
    return chosen["selected_points"].astype(bool)


@pytest.mark.parametrize("name", [name for name in CLOSED if name != "ant"])
def test_insides_at_random_points(name):
    vertices, faces = centred(name)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    points = np.random.default_rng(5).uniform(1.05 * low, 1.05 * high, (2000, 3))
    ours = winding_number(vertices[faces], points)
    assert np.abs(ours - np.round(ours)).max() < 1e-9
    assert np.array_equal(np.round(ours), wraps(vertices[faces], points))  # the count of rays
    inside = np.round(ours) == 1
    assert 100 < inside.sum() < 1900
    assert np.array_equal(inside, _inside_by_vtk(points, vertices, faces))
    shape = trimesh.Trimesh(vertices, faces, process=False)
    assert np.array_equal(inside, shape.contains(points))


# --- where they disagree, and who is right --------------------------------------------------------


@functools.cache
def ant_bodies():
    """The ant's fifteen bodies, each closed and clear of itself: here all libraries agree."""
    bodies = trimesh.Trimesh(*centred("ant"), process=False).split(only_watertight=False)
    assert len(bodies) == 15
    assert all(body.is_watertight for body in bodies)
    return [(np.ascontiguousarray(body.vertices), np.array(body.faces)) for body in bodies]


def test_inside_of_bodies_that_reach_into_one_another():
    """A point in two of the ant's bodies is in metal.

    Rays through the whole mesh (trimesh) cross it an even number of times and call such points
    outside, and the sign of the nearest facet (VTK) is that of a facet buried in the other body.
    Asked of one body at a time, rays and VTK find each point in as many bodies as our winding
    number says.
    """
    vertices, faces = centred("ant")
    rng = np.random.default_rng(1)
    points = np.concatenate(
        [rng.uniform(v.min(axis=0), v.max(axis=0), (300, 3)) for v, _ in ant_bodies()]
    )
    ours = winding_number(vertices[faces], points)
    depth = np.round(ours).astype(int)
    assert np.abs(ours - depth).max() < 1e-9
    by_rays, by_vtk = np.zeros(len(points), int), np.zeros(len(points), int)
    for body in ant_bodies():
        by_rays += trimesh.Trimesh(*body, process=False).contains(points)
        by_vtk += _inside_by_vtk(points, *body)
    assert np.array_equal(depth, wraps(vertices[faces], points))
    assert np.array_equal(depth, by_rays)
    assert np.array_equal(depth, by_vtk)
    # The disagreement itself, so that this test says so when it ends.
    whole = trimesh.Trimesh(vertices, faces, process=False).contains(points)
    assert (depth == 2).any()
    assert not whole[depth == 2].any()
    assert np.array_equal(whole, depth == 1)


def test_section_area_of_bodies_that_reach_into_one_another():
    """Outlines that cross: VTK fills the plane by parity, ours is the sum of what each holds."""
    disagreed = 0
    for origin, turn in _planes("ant", 40, 4):
        section, _, sliced = _cut(*centred("ant"), origin, turn)
        one_by_one = sum(_area(_cut(*body, origin, turn)[2]) for body in ant_bodies())
        assert section.area.sum() == pytest.approx(one_by_one, rel=1e-9, abs=1e-9)
        disagreed += abs(_area(sliced) - one_by_one) > 1e-6
    assert disagreed > 0


def test_volume_of_bodies_that_reach_into_one_another():
    """VTK's volume of the ant counts material twice; no volume is given for such a mesh.

    manifold3d's union decides: it is smaller than the sum, which is what VTK gives.
    """
    vertices, faces = centred("ant")
    trimmed = trimesh.boolean.union(
        [trimesh.Trimesh(*body, process=False) for body in ant_bodies()], engine="manifold"
    )
    theirs = polydata(vertices, faces).volume
    assert theirs == pytest.approx(
        sum(trimesh.Trimesh(*body, process=False).volume for body in ant_bodies())
    )
    assert trimmed.volume < 0.999 * theirs
    part = load_part(examples.antfile, name="ant")
    assert part.soundness.volume is None
    assert part.soundness.doubled_bodies > 0
