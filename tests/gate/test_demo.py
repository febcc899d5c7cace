"""The demo: every planted fault is found, with its figure, and nothing else is.

The truths come from construction and closed forms (meshes/demo/truths.toml); the first half of
this file checks the meshes against them without geomcheck, by python-fcl, manifold3d, trimesh and
shapely.
"""

import importlib
import json
import math
import subprocess
import sys
import tomllib
from pathlib import Path

import fcl
import manifold3d
import numpy as np
import pytest
import trimesh

from geomcheck import gate
from geomcheck.project.load import load
from geomcheck.reports.json import to_json

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "meshes" / "demo"
TRUTHS = tomllib.loads((DEMO / "truths.toml").read_text(encoding="utf-8"))["truth"]
VEHICLES = ("Juniper hatch", "Sorrel van")

# From each vehicle's axes to the housing's, written out by hand.
JUNIPER = np.array([[1, 0, 0, -620], [0, 1, 0, 40], [0, 0, 1, -710], [0, 0, 0, 1]], dtype=float)
SORREL = np.array([[0, -1, 0, 835], [1, 0, 0, -120], [0, 0, 1, -590], [0, 0, 0, 1]], dtype=float)


def mesh(name, matrix=None):
    found = trimesh.load_mesh(DEMO / name)
    if matrix is not None:
        found.apply_transform(matrix)
    return found


@pytest.fixture(scope="module")
def housing():
    return mesh("housing.stl")


def fcl_distance(a, b):
    objects = []
    for part in (a, b):
        model = fcl.BVHModel()
        model.beginModel(len(part.vertices), len(part.faces))
        model.addSubModel(part.vertices, part.faces)
        model.endModel()
        objects.append(fcl.CollisionObject(model, fcl.Transform()))
    result = fcl.DistanceResult()
    return fcl.distance(*objects, fcl.DistanceRequest(), result)


def solid(part):
    made = manifold3d.Manifold(
        manifold3d.Mesh64(
            np.ascontiguousarray(part.vertices, dtype=np.float64),
            np.ascontiguousarray(part.faces, dtype=np.uint64),
        )
    )
    assert made.status() == manifold3d.Error.NoError
    return made


def lens(a, b, d):
    """Area two circles of radii a and b have in common, their middles d apart (mathworld)."""
    return (
        b * b * math.acos((d * d + b * b - a * a) / (2 * d * b))
        + a * a * math.acos((d * d + a * a - b * b) / (2 * d * a))
        - 0.5 * math.sqrt((-d + a + b) * (d + a - b) * (d - a + b) * (d + a + b))
    )


def truth(subject, code, vehicle=None, blame=None):
    return next(
        t
        for t in TRUTHS
        if (t["subject"], t["code"]) == (subject, code)
        and t.get("vehicle") == vehicle
        and blame in (None, t["blame"])
    )


@pytest.mark.parametrize(
    ("vehicle", "file", "matrix", "subject"),
    [
        ("Juniper hatch", "juniper/bonnet.stl", JUNIPER, "housing / bonnet"),
        ("Juniper hatch", "juniper/fuel_line.stl", JUNIPER, "housing / fuel line"),
        ("Juniper hatch", "juniper/belt.stl", JUNIPER, "housing / belt"),
        ("Sorrel van", "sorrel/belt.stl", SORREL, "housing / belt"),
        (None, "rotor_left.stl", None, "housing / left rotor"),
        (None, "rotor_right.stl", None, "housing / right rotor"),
    ],
)
def test_gaps_are_in_the_meshes_by_fcl(housing, vehicle, file, matrix, subject):
    want = truth(subject, "fit-gap", vehicle)
    assert fcl_distance(housing, mesh(file, matrix)) == pytest.approx(
        want["value"], abs=want["tolerance"]
    )


def test_overlaps_are_in_the_meshes_by_manifold3d(housing):
    body = solid(housing)
    bracket = solid(mesh("juniper/alternator_bracket.stl", JUNIPER))
    want = truth("housing / alternator bracket", "fit-gap", "Juniper hatch")
    assert (body ^ bracket).volume() == pytest.approx(want["details"]["overlap_volume"], abs=0.05)
    common = (body ^ bracket).bounding_box()
    assert common[4] - common[1] == pytest.approx(-want["value"], abs=1e-4)
    clip = solid(mesh("juniper/clip.stl", JUNIPER))
    assert (body ^ clip).volume() == pytest.approx(clip.volume(), rel=1e-6)


def test_duct_areas_are_in_the_meshes_by_trimesh(housing):
    """At the boss and at the throttle shaft, by the closed forms the truths give."""

    def open_area(part, origin, normal, within):
        flat, _ = part.section(plane_origin=origin, plane_normal=normal).to_2D()
        rings = [ring for polygon in flat.polygons_full for ring in polygon.interiors]
        areas = [trimesh.path.polygons.Polygon(ring).area for ring in rings]
        return max(area for area in areas if area < within)

    throat = truth('duct "inlet"', "flow-area")
    closed = math.pi * 38**2 - lens(38, 20, 38)
    assert throat["value"] == pytest.approx(closed, abs=1e-3)
    boss = open_area(housing, (30, -90, 86), (0, 1, 0), 6000)
    assert boss == pytest.approx(closed, abs=throat["tolerance"])
    clear = open_area(housing, (30, -66, 86), (0, 1, 0), 6000)
    assert clear == pytest.approx(math.pi * 38**2, abs=2.0)
    dip = truth('duct "inlet", restriction', "flow-area", blame="housing")
    assert dip["value"] == pytest.approx(100 * lens(38, 20, 38) / (math.pi * 38**2), abs=1e-3)
    body, blade = mesh("throttle_body.stl"), mesh("throttle_blade.stl")
    bore = open_area(body, (30, -190, 86), (0, 1, 0), 6000)
    assert bore == pytest.approx(math.pi * 40**2, abs=2.0)
    # shaft of half-width w across a circle of radius a: 2 (w sqrt(a2 - w2) + a2 asin(w / a))
    taken = 2 * (5 * math.sqrt(40**2 - 25) + 40**2 * math.asin(5 / 40))
    shaft = blade.section(plane_origin=(30, -190, 86), plane_normal=(0, 1, 0)).bounds
    assert shaft[1][2] - shaft[0][2] == pytest.approx(10.0, abs=1e-3)
    assert min(30 - shaft[0][0], shaft[1][0] - 30) > 40
    share = truth('duct "inlet", restriction', "flow-area", blame="throttle blade")
    assert share["value"] == pytest.approx(100 * taken / (math.pi * 40**2), abs=1e-3)


def test_meshes_are_sound_by_trimesh_and_small():
    """All but the scan are closed, and the folder stays small."""
    files = sorted(p for p in DEMO.rglob("*") if p.suffix in (".stl", ".obj", ".ply"))
    assert len(files) == 33
    assert sum(p.stat().st_size for p in files) < 12e6
    for path in files:
        part = trimesh.load_mesh(path)
        assert part.is_watertight == (path.suffix != ".ply"), path.name
        if part.is_watertight:
            assert part.volume > 0, path.name
    assert len(trimesh.load_mesh(DEMO / "housing.stl").faces) > 100_000


def test_the_generator_gives_the_same_bytes_twice(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    files = importlib.import_module("demo_files")
    build = importlib.import_module("demo_housing")
    scan = importlib.import_module("demo_sorrel")
    written = []
    for run in ("one", "two"):
        files.write_stl(tmp_path / run, files.triangles(build.housing()))
        files.write_ply(tmp_path / f"{run} scan", files.ordered(scan.bulkhead_scan()))
        written.append((tmp_path / run).read_bytes() + (tmp_path / f"{run} scan").read_bytes())
    assert written[0] == written[1]
    assert len(written[0]) > 5_000_000


@pytest.fixture(scope="module")
def result():
    return gate.run(load(DEMO / "project.toml")).result


def expected(verdicts):
    keys = []
    for entry in TRUTHS:
        if (entry["verdict"] == "pass") == verdicts:
            for vehicle in [entry["vehicle"]] if "vehicle" in entry else VEHICLES:
                keys.append(
                    (vehicle, entry["code"], entry["subject"], entry["blame"], entry["verdict"])
                )
    return sorted(keys)


def key(finding):
    blame = finding.parts[-1] if finding.parts else ""
    return (finding.vehicle, finding.code, finding.subject, blame, str(finding.verdict))


def test_exactly_the_planted_faults_are_found(result):
    found = sorted(key(f) for f in result.findings if f.verdict != "pass")
    assert found == expected(verdicts=False)
    assert result.exit_code == 1


def test_each_truth_has_its_figure(result):
    by_key = {key(f): f for f in result.findings}
    assert len(by_key) == len(result.findings)
    for entry in TRUTHS:
        for vehicle in [entry["vehicle"]] if "vehicle" in entry else VEHICLES:
            name = (vehicle, entry["code"], entry["subject"], entry["blame"], entry["verdict"])
            finding = by_key[name]
            if "value" in entry:
                assert finding.quantity.value == pytest.approx(
                    entry["value"], abs=entry["tolerance"]
                ), name
                # the interval holds the true figure, not only the mesh's
                assert finding.quantity.low - 1e-9 <= entry["value"], name
                assert finding.quantity.high + 1e-9 >= entry["value"], name
            for what, value in entry.get("details", {}).items():
                got = finding.details[what]
                if isinstance(value, str):
                    assert got == value, name
                else:
                    assert got == pytest.approx(value, abs=0.05), (name, what)


def test_nothing_passes_by_a_hair(result):
    """Passes are clear ones: the interval keeps a tenth of its width or more from the limit."""
    for finding in result.findings:
        if finding.verdict == "pass" and finding.quantity is not None:
            need, got = finding.requirement, finding.quantity
            room = got.low - need.limit if need.sense == "at least" else need.limit - got.high
            assert room > 0.1 * (got.high - got.low), finding.message


def test_another_run_gives_the_same_bytes(result, tmp_path):
    """In a process of its own, with another seed of Python's hashes."""
    target = tmp_path / "again.json"
    run = subprocess.run(
        [sys.executable, "-m", "geomcheck", "check", str(DEMO / "project.toml"), "--json", target],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert run.returncode == 1, run.stderr
    text = target.read_text(encoding="utf-8")
    assert text == to_json(result)
    assert json.loads(text)["findings"]
