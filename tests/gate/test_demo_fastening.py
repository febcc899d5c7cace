"""The demo's fastening: what the truths say of it is in the meshes, by other libraries.

python-fcl, trimesh and shapely; geomcheck is not asked (test_demo.py does that).
"""

import math
import tomllib
from pathlib import Path

import fcl
import numpy as np
import pytest
import shapely
import trimesh

DEMO = Path(__file__).resolve().parents[2] / "meshes" / "demo"
HOUSINGS = {"B": "housing.stl", "C": "housing_c.stl"}
JUNIPER = np.array([[1, 0, 0, -620], [0, 1, 0, 40], [0, 0, 1, -710], [0, 0, 0, 1]], dtype=float)
SORREL = np.array([[0, -1, 0, 835], [1, 0, 0, -120], [0, 0, 1, -590], [0, 0, 0, 1]], dtype=float)


@pytest.fixture(params=sorted(HOUSINGS))
def revision(request):
    return request.param


def mesh(name, matrix=None):
    found = trimesh.load_mesh(DEMO / name)
    return found if matrix is None else found.apply_transform(matrix)


def value(revision, code, subject, vehicle=None):
    file = DEMO / ("truths.toml" if revision == "B" else "truths_c.toml")
    rows = tomllib.loads(file.read_text(encoding="utf-8"))["truth"]
    want = (code, subject, vehicle)
    row = next(r for r in rows if (r["code"], r["subject"], r.get("vehicle")) == want)
    return row.get("value", row.get("details"))


def clear_of(part, radius, begin, end):
    """Distance of a cylinder with flat ends from a mesh; 0 where they meet."""
    begin, end = np.array(begin, dtype=float), np.array(end, dtype=float)
    length = np.linalg.norm(end - begin)
    turn = trimesh.geometry.align_vectors([0, 0, 1], (end - begin) / length)[:3, :3]
    rod = fcl.CollisionObject(
        fcl.Cylinder(radius, length), fcl.Transform(turn, 0.5 * (begin + end))
    )
    model = fcl.BVHModel()
    model.beginModel(len(part.vertices), len(part.faces))
    model.addSubModel(part.vertices, part.faces)
    model.endModel()
    body = fcl.CollisionObject(model, fcl.Transform())
    if fcl.collide(rod, body, fcl.CollisionRequest(), fcl.CollisionResult()):
        return 0.0
    return fcl.distance(rod, body, fcl.DistanceRequest(), fcl.DistanceResult())


def first_hit(part, origin, direction):
    hits, _, _ = part.ray.intersects_location([origin], [direction])
    return float(np.linalg.norm(hits - origin, axis=1).min())


def test_only_a_leaning_key_comes_past_the_vacuum_hose():
    hose = mesh("juniper/vacuum_hose.stl", JUNIPER)
    seat, out = np.array([91.5, 80.0, 92.0]), np.array([-1.0, 0.0, 0.0])
    key = 0.5 * 5.67  # 5 across flats, across corners (ISO 2936)
    assert clear_of(hose, key, seat, seat + 40 * out) == 0.0
    # A key's short arm stands 25 over the head's floor: the hose begins 24 over the seat.
    assert clear_of(hose, key, seat, seat + 23.9 * out) > 0.0
    # Leaning by 25 degrees about the middle of the ball, 3 deep in a head 6 high, away from it.
    ball = seat + (6.0 - 3.0 + key) * out
    tilt = math.radians(25.0)
    way = np.array([-math.cos(tilt), -math.sin(tilt), 0.0])
    for lifted in (0.0, 6.0):  # on the head, and off it
        here = ball + lifted * out
        ahead = 30.0 - (91.5 - here[0])  # from there to the hose's axis, and 5 to the side
        closed = ahead * math.sin(tilt) + 5.0 * math.cos(tilt) - 6.0 - key
        assert closed > 3.3
        room = clear_of(hose, key, here + 0.2 * way, here + 82.0 * way)
        assert room == pytest.approx(closed, abs=0.1)  # facets of the hose


def test_the_rear_bolt_is_drawn_as_far_as_the_hose(revision):
    hose = mesh("juniper/vacuum_hose.stl", JUNIPER)
    travel = value(revision, "fasten-withdraw", 'bolt "R1"', "Juniper hatch")
    seat = np.array([91.5, 80.0, 92.0])
    top = seat - [6.0, 0.0, 0.0]  # of the head, 10 wide; its rim grazes the hose
    assert clear_of(hose, 5.0, seat, top - [travel - 0.01, 0, 0]) > 0.0
    assert clear_of(hose, 5.01, seat, top - [travel + 0.05, 0, 0]) == 0.0


def test_the_rear_hole_is_as_deep_as_said(revision):
    housing = mesh(HOUSINGS[revision])
    bracket = mesh("rear_bracket.stl")
    assert bracket.bounds[:, 0] == pytest.approx([91.5, 98.0], abs=1e-4)
    depth = first_hit(housing, [97.0, 80.3, 92.2], [1, 0, 0]) - 1.0
    length = {"B": 16.0, "C": 12.0}[revision]
    want = value(revision, "fasten-length", 'bolt "R1"')
    assert depth - (length - 6.5) == pytest.approx(want, abs=1e-3)


def test_m4_meets_the_vent_pipe(revision):
    pipe = mesh("juniper/vent_pipe.stl", JUNIPER)
    travel = first_hit(pipe, [296.0, -112.0, 53.0], [0, 0, 1])
    assert travel == pytest.approx(48.0, abs=1e-3)
    plate = mesh("juniper/intake_manifold.stl", JUNIPER)
    reaches = plate.bounds[1, 2] - (45.0 - 60.0)
    want = value(revision, "fasten-withdraw", 'bolt "M4"', "Juniper hatch")
    assert travel - reaches == pytest.approx(want, abs=1e-3)


def test_the_throttle_plug_meets_the_bulkhead(revision):
    bulkhead = mesh("juniper/bulkhead.stl", JUNIPER)
    body = mesh("throttle_body.stl")
    assert first_hit(body, [-100.0, -180.0, 66.0], [1, 0, 0]) == pytest.approx(46.0, abs=1e-3)
    truths = value(revision, "fasten-connector", 'connector "throttle plug"', "Juniper hatch")
    pull = 6.6875 if isinstance(truths, float) else truths["pull"]
    end = np.array([-54.0 - 28.0 - 30.0, -180.0, 66.0])
    assert clear_of(bulkhead, 5.0, np.add(end, [30, 0, 0]), end - [pull - 0.01, 0, 0]) > 0.0
    assert clear_of(bulkhead, 5.0, np.add(end, [30, 0, 0]), end - [pull + 0.01, 0, 0]) == 0.0


def test_the_ear_stands_in_the_way_to_the_oil_filler(revision):
    housing = mesh(HOUSINGS[revision])
    want = value(revision, "fasten-service", 'service "oil filler"', "Juniper hatch")
    mouth = np.array([360.0, -104.0, 20.0])
    top = np.add(mouth, [0.0, 0.0, 120.0])
    assert clear_of(housing, 20.0 + want - 0.02, mouth, top) > 0.0
    assert clear_of(housing, 20.0 + want + 0.02, mouth, top) == 0.0
    filler = mesh("juniper/oil_filler.stl", JUNIPER)
    assert filler.bounds[1, 2] == pytest.approx(20.0, abs=1e-3)


def outline(part, z, within=None):
    flat = part.section(plane_origin=[0, 0, z], plane_normal=[0, 0, 1])
    rings = [shapely.Polygon(np.asarray(ring)[:, :2]) for ring in flat.discrete]
    return [r for r in rings if within is None or abs(r.area - within) < 0.05 * within]


@pytest.mark.parametrize(
    ("file", "matrix", "vehicle", "name"),
    [
        ("juniper/intake_manifold.stl", JUNIPER, "Juniper hatch", "hatch"),
        ("sorrel/intake_adapter.stl", SORREL, "Sorrel van", "van"),
    ],
)
def test_ports_and_holes_meet_as_said(revision, file, matrix, vehicle, name):
    housing, plate = mesh(HOUSINGS[revision]), mesh(file, matrix)
    (above,), (below,) = outline(housing, 0.05, 6879.4), outline(plate, -1.6, 7045.9)
    hidden = above - below
    edge = max(below.bounds[0] - above.bounds[0], 0.0)  # the straight side at the rear
    subject = f'port "{name} outlet port": edge in the flow'
    assert edge == pytest.approx(value(revision, "fit-ports", subject, vehicle), abs=0.01)
    if edge:
        assert hidden.area == pytest.approx(57.93, abs=0.05)

    def middles(part, z, diameter):
        rings = outline(part, z, math.pi * diameter**2 / 4)
        return np.array([[r.centroid.x, r.centroid.y] for r in rings])

    clearance, thread = middles(housing, 0.05, 9.0), middles(plate, -1.6, 6.8)
    assert len(clearance) == len(thread) == 10
    off = np.linalg.norm(clearance[:, None] - thread, axis=2).min(axis=1)
    want = value(revision, "fasten-pattern", f'pattern "{name} manifold bolts"', vehicle)
    assert 0.5 * (9.0 - 8.0) - off.max() == pytest.approx(want, abs=1e-3)
