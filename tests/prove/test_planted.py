"""The planted mesh or entry itself, in closed form; and who catches it."""

import datetime
import math
import subprocess

import numpy as np
import pytest
import trimesh

from geomcheck.finding import Verdict
from geomcheck.project.load import load
from geomcheck.prove import Kind, Outcome, prove, shape, shift
from geomcheck.prove.advice import advice
from geomcheck.prove.choose import choose
from geomcheck.prove.plant import Bench

DAY = datetime.date(2026, 1, 1)


def bench_of(file):
    project = load(file)
    return Bench(project, project.vehicles, DAY)


@pytest.fixture(scope="module")
def bench(rig_in, tmp_path_factory):
    return bench_of(rig_in(tmp_path_factory.mktemp("rig")))


def planted(bench, kind, target=None, seed=0):
    """A fault, the part as it is, and the part with it."""
    for fault in choose(bench.assemblies, bench.base, kinds=[kind], seed=seed):
        if target in (None, fault.target):
            base = bench.assemblies["hatch"]
            after = fault.alter(base)
            return fault, base.parts[fault.part], after.parts[fault.part]
    raise AssertionError(f"no {kind}")


def volume(part):
    assert part.closed
    # By trimesh, from the triangles alone.
    return trimesh.Trimesh(part.vertices, part.faces, process=False).volume


def bump(height, radius):
    """Volume (mm3) under a region raised on a flat: full to half its radius, then half a cosine."""
    r = np.linspace(0.0, radius, 20001)
    share = 0.5 * (1.0 + np.cos(math.pi * np.clip((r / radius - 0.5) / 0.5, 0.0, 1.0)))
    return float(np.trapezoid(2.0 * math.pi * r * height * share, r))


def test_a_sunk_spot_lowers_the_face_by_its_depth(bench):
    fault, was, now = planted(bench, Kind.SUNK)
    at = np.array(fault.facts["at"])
    assert at[2] == pytest.approx(0.0, abs=1e-9)
    moved = now.vertices[np.linalg.norm(now.vertices[:, :2] - at[:2], axis=1) < 2.9]
    face = moved[moved[:, 2] < 1.0]
    assert len(face)
    assert face[:, 2] == pytest.approx(0.5, abs=1e-9)
    taken = volume(was) - volume(now)
    # Where the place is near an edge of the face, part of the region is missing.
    assert 0.2 * bump(0.5, 6.0) < taken < 1.1 * bump(0.5, 6.0)


def test_a_duct_wall_grows_into_the_bore(bench):
    fault, was, now = planted(bench, Kind.DUCT)
    assert volume(now) > volume(was)
    z = fault.facts["at"][2]
    near = now.vertices[np.abs(now.vertices[:, 2] - z) < 4.9]
    off = np.linalg.norm(near[:, :2], axis=1)
    # A bore of radius 15 in 96 facets, each at 15 cos(pi / 96) from the axis at its middle.
    assert 15.0 * math.cos(math.pi / 96) - 1.0 - 1e-6 <= off.min() <= 14.0 + 1e-6
    far = now.vertices[np.linalg.norm(now.vertices - fault.facts["at"], axis=1) > 10.1]
    bore = np.linalg.norm(far[:, :2], axis=1)
    assert bore[bore < 20].min() == pytest.approx(15.0, abs=0.01)


def test_a_hole_moved_in_the_mesh_is_where_it_was_moved_to(bench):
    fault, was, now = planted(bench, Kind.HOLE_MOVED, "B3")
    axis = np.array([45.0, -28.0])

    def wall(part, about):
        return np.abs(np.linalg.norm(part.vertices[:, :2] - about, axis=1) - 4.5) < 1e-4

    moved = now.vertices - was.vertices
    by = moved[wall(was, axis)]
    assert len(by) == 96
    assert np.linalg.norm(by, axis=1) == pytest.approx(1.0)
    assert by == pytest.approx(np.broadcast_to(by[0], by.shape))
    assert by[0, 2] == pytest.approx(0.0)
    assert wall(now, axis + by[0, :2]).sum() == 96
    # A prism shifted along the plate is as large as before, and nothing else moved.
    assert volume(now) == pytest.approx(volume(was), rel=1e-9)
    assert (moved[~wall(was, axis)] == 0.0).all()
    assert f"{by[0, 0]:.2f}" in fault.words


def test_a_closed_hole_is_gone(bench):
    _, was, now = planted(bench, Kind.HOLE, "B3")
    prism = 20.0 * 0.5 * 48 * 4.5**2 * math.sin(2.0 * math.pi / 48)
    assert volume(now) - volume(was) == pytest.approx(prism, rel=1e-6)
    # One hole less through the plate, by Euler's formula.
    genus = [
        trimesh.Trimesh(part.vertices, part.faces, process=False).euler_number
        for part in (was, now)
    ]
    assert genus[1] - genus[0] == 2
    walls = np.linalg.norm(now.vertices[:, :2] - (45.0, -28.0), axis=1)
    heights = now.vertices[walls < 4.6][:, 2]
    assert set(np.round(heights, 6)) == {0.0, 20.0}


def test_a_blind_hole_is_closed_too(tmp_path):
    from geomcheck.mesh.load import load_part

    block = trimesh.creation.box((40, 40, 30))
    drill = trimesh.creation.cylinder(3.4, 20.0, sections=32).apply_translation((5, 0, 15))
    trimesh.boolean.difference([block, drill]).export(tmp_path / "block.stl")
    part = load_part(tmp_path / "block.stl", name="block")
    wall = shift.hole(part, np.array([5.0, 0, 15]), np.array([0.0, 0, 1]), 3.39, 200.0)
    # Two rings of 32; the middle of the floor may be a corner, too.
    assert (np.linalg.norm(part.vertices[wall][:, :2] - (5.0, 0.0), axis=1) > 1.0).sum() == 64
    assert volume(shift.closed_over(part, wall)) == pytest.approx(48000.0, rel=1e-6)


def test_a_port_is_moved_with_the_wall_behind_its_edge(bench):
    fault, was, now = planted(bench, Kind.PORT)
    moved = now.vertices - was.vertices
    ring = (np.abs(np.hypot(*was.vertices[:, :2].T) - 15.0) < 1e-4) & (was.vertices[:, 2] == 0.0)
    assert ring.sum() == 96
    assert np.linalg.norm(moved[ring], axis=1) == pytest.approx(1.0)
    assert moved[ring] == pytest.approx(np.broadcast_to(moved[ring][0], (96, 3)))
    assert (moved[~ring] == 0.0).all()
    # The far edge, 20 mm up, stays: an oblique prism of the same height and base.
    assert volume(now) == pytest.approx(volume(was), rel=1e-9)
    assert fault.facts["middle"] == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


def test_what_is_near_a_feature_goes_a_part_of_the_way(bench):
    """Half way out of reach, half of the move; so no facet is folded over."""
    part = bench.assemblies["hatch"].parts["bonnet"]
    points = part.vertices
    share = np.zeros(len(points))
    share[0] = 1.0
    off = np.linalg.norm(points - points[0], axis=1)
    now = shift.moved(part, share, np.array([1.0, 0.0, 0.0]))
    part_way = np.clip(1.0 - off / shift.FADE, 0.0, 1.0)
    assert np.linalg.norm(now.vertices - points, axis=1) == pytest.approx(part_way)
    assert ((part_way > 0.0) & (part_way < 1.0)).any()


def test_another_file_and_shrinkage(bench):
    fault, was, now = planted(bench, Kind.SWAPPED, "left stay")
    other = bench.assemblies["hatch"].parts["right stay"]
    assert "right_stay.stl" in fault.words
    assert shape.in_file(now) == pytest.approx(shape.in_file(other))
    assert now.name == was.name
    _, was, now = planted(bench, Kind.SHRUNK, "housing")
    assert volume(now) / volume(was) == pytest.approx(1.013**3)
    assert now.bounds == pytest.approx(1.013 * was.bounds)


def test_a_part_left_out_is_gone(bench):
    fault = choose(bench.assemblies, bench.base, kinds=[Kind.LEFT_OUT])[0]
    after = fault.alter(bench.assemblies["hatch"])
    assert fault.part not in after.parts
    assert fault.part not in after.part_entries
    assert len(after.parts) == len(bench.assemblies["hatch"].parts) - 1


def entries(bench, kind, seed=0):
    """The bolt or plug of a fault as it is, and as planted."""
    fault = choose(bench.assemblies, bench.base, kinds=[kind], seed=seed)[0]
    base = bench.assemblies["hatch"]
    return [
        next(
            one
            for _, one in (*assembly.fasteners, *assembly.connectors)
            if one.name == fault.target
        )
        for assembly in (base, fault.alter(base))
    ]


def angle(a, b):
    return math.degrees(math.acos(np.dot(a, b) / np.linalg.norm(a) / np.linalg.norm(b)))


def test_entries_of_bolts_and_plugs(bench):
    was, now = entries(bench, Kind.BOLT_MOVED)
    by = np.subtract(now.at, was.at)
    assert np.linalg.norm(by) == pytest.approx(1.0)
    assert np.dot(by, was.axis) == pytest.approx(0.0, abs=1e-12)
    was, now = entries(bench, Kind.BOLT_TILTED)
    assert angle(was.axis, now.axis) == pytest.approx(3.0)
    assert np.linalg.norm(now.axis) == pytest.approx(1.0)
    assert now.at == was.at
    was, now = entries(bench, Kind.PLUG)
    assert angle(was.axis, now.axis) == pytest.approx(15.0)
    # ISO 888: 25, 30, 35.
    lengths = {entries(bench, Kind.BOLT_LENGTH, seed)[1].length for seed in range(8)}
    assert lengths == {25.0, 35.0}


@pytest.mark.parametrize(
    ("kind", "more", "code"),
    [
        (Kind.BOLT_MOVED, "[check.fasten-holes]", "fasten-holes"),
        (Kind.BOLT_TILTED, "[check.fasten-holes]", "fasten-holes"),
        (Kind.HOLE, "[check.fasten-holes]", "fasten-holes"),
        (Kind.HOLE_MOVED, "[check.fasten-holes]", "fasten-holes"),
    ],
)
def test_a_project_that_asks_catches_it_and_one_that_does_not_misses_it(rig, kind, more, code):
    (trial, *_) = prove(rig(), kinds=[kind], most=1).trials
    assert trial.outcome is Outcome.MISSED
    (trial, *_) = prove(rig(more=f"\n{more}\n"), kinds=[kind], most=1).trials
    assert (trial.outcome, trial.by.finding.code) == (Outcome.CAUGHT, code)
    assert trial.by.finding.verdict is Verdict.FAIL
    assert f'"{trial.fault.target}"' in trial.by.finding.subject


def test_a_duct_is_caught_by_its_least_area_and_by_a_baseline(rig, follow):
    """A bore of radius 15 in 96 facets: 704.4 mm2."""
    area = 0.5 * 96 * 15.0**2 * math.sin(2.0 * math.pi / 96)

    def asking(least):
        return rig(("spacing = 5.0", f"spacing = 5.0\nleast_area = {least}"))

    proof = prove(asking(math.floor(area) - 1), kinds=[Kind.DUCT], most=1)
    assert proof.trials[0].by.finding.code == "flow-area"
    proof = prove(asking(600.0), kinds=[Kind.DUCT], most=1)
    (told,) = proof.advised
    assert told.kept
    assert f"was {area:.2f}; at least 600 is required" in told.why
    follow(asking(600.0), [{"text": told.add, "under": None, "line": None}])
    # Accepted as it is, it is caught by the baseline.
    proof = prove(rig.args[0] / "project.toml", kinds=[Kind.DUCT], most=1)
    assert proof.trials[0].by.finding.code == "baseline"


def test_a_pair_is_advised_for_a_part_without_gaps(rig, follow):
    """The lever stands 5 mm beside the housing, and nothing asks about it."""
    here = bench_of(rig())
    for seed in range(200):
        faults = choose(here.assemblies, here.base, kinds=[Kind.GROWN], seed=seed)
        # Well within the face that looks at the housing.
        facing = [
            (number, one)
            for number, one in enumerate(faults)
            if one.part == "lever" and one.facts["at"][0] > -65.001
        ]
        if facing:
            break
    number, fault = facing[0]
    told = advice(here, here.try_fault(fault))
    assert "gap = false" in told.why
    assert 'parts = ["lever", "housing"]' in told.add
    # 5 mm less both chord errors of 0.02 mm.
    assert "required = 4.96" in told.add
    file = rig(more=f"\n{told.add}\n")
    there = bench_of(file)
    again = choose(there.assemblies, there.base, kinds=[Kind.GROWN], seed=seed)[number]
    assert again.words == fault.words
    found = there.try_fault(again)
    assert (found.outcome, found.by.finding.code) == (Outcome.CAUGHT, "fit-gap")


def git(folder, *arguments):
    subprocess.run(
        ["git", "-c", "user.name=n", "-c", "user.email=n@example.org", *arguments],
        cwd=folder,
        check=True,
        capture_output=True,
    )


def test_the_file_of_an_earlier_commit_is_planted(rig, meshes, follow):
    assert prove(rig(), kinds=[Kind.STALE]).trials == ()
    folder = rig.args[0]
    git(folder, "init", "-q")
    # Once a bonnet without its cut-out, once the lever as a pointer and as it is.
    trimesh.creation.box((140, 100, 4)).apply_translation((0, 0, 48)).export(folder / "bonnet.stl")
    (folder / "lever.stl").write_text("version https://git-lfs.github.com/spec/v1\n")
    git(folder, "add", ".")
    git(folder, "commit", "-q", "-m", "first")
    rig()
    git(folder, "commit", "-q", "-a", "-m", "second")
    proof = prove(folder / "project.toml", kinds=[Kind.STALE])
    (trial,) = proof.trials
    assert trial.fault.target == "bonnet"
    assert trial.outcome is Outcome.MISSED
    project = load(folder / "project.toml")
    after = trial.fault.alter(next(project.assemble()))
    assert volume(after.parts["bonnet"]) == pytest.approx(140 * 100 * 4)
    # The outline is the same: points of the surface tell the two apart.
    (told,) = proof.advised
    assert "on_surface" in told.add
    row = {"text": told.add, "under": told.under, "line": told.line, "in_place_of": []}
    follow(folder / "project.toml", [row])
    (trial,) = prove(folder / "project.toml", kinds=[Kind.STALE]).trials
    assert (trial.outcome, trial.by.finding.code) == (Outcome.CAUGHT, "part-sound")


def test_what_fails_already_hides_nothing_where_the_entry_meant_for_it_is_missing(rig):
    """B2's head stands over the port: no seat, so its reach is open before and after."""
    file = rig(("at = [-45.0, 28.0, 20.0]", "at = [0.0, 0.0, 20.0]"))
    proof = prove(file, kinds=[Kind.BOLT_MOVED])
    rows = zip(proof.trials, proof.advised, strict=True)
    (row,) = ((trial, told) for trial, told in rows if trial.fault.target == "B2")
    assert (row[0].outcome, row[1].add) == (Outcome.MISSED, "[check.fasten-holes]")


def test_a_tolerance_too_wide_is_replaced(rig, follow):
    wide = 'file = "lever.stl"\nsize = [30, 12, 8]\nsize_tolerance = 30'
    file = rig(('file = "lever.stl"', wide))

    def small():
        proof = prove(file, kinds=[Kind.UNIT])
        rows = zip(proof.trials, proof.advised, strict=True)
        mine = (row for row in rows if row[0].fault.target == "lever")
        return next(row for row in mine if "too small" in row[0].fault.words)

    trial, told = small()
    assert trial.outcome is Outcome.MISSED
    assert told.replaces == ("size", "size_tolerance")
    assert "is allowed to differ by 30 mm" in told.why
    row = {"text": told.add, "under": told.under, "line": told.line}
    follow(file, [row | {"in_place_of": told.replaces}])
    assert file.read_text(encoding="utf-8").count("size = [") == 1
    assert small()[0].by.finding.code == "part-sound"
