"""From file to placed part, the size and place it is asked for, and a first look."""

from pathlib import Path

import numpy as np
import pytest
import trimesh

from geomcheck.errors import MeshFileError, PlacementError
from geomcheck.mesh.fits import (
    furthest_off,
    mirrors_that_fit,
    size_difference,
    suspect_axes,
    suspect_unit,
)
from geomcheck.mesh.load import load_part
from geomcheck.mesh.look import look
from geomcheck.mesh.placement import rigid
from geomcheck.mesh.sagitta import FACTOR

DEFECTS = Path(__file__).resolve().parents[2] / "meshes" / "defects"
BOX = DEFECTS / "sound_box.stl"
PLACE = rigid([((1, 2, 3), 40.0, (5, 0, 0))], (100, -20, 7))


def test_a_placed_part_keeps_its_size_and_volume():
    part = load_part(BOX, name="box", factor=25.4, matrix=PLACE)
    np.testing.assert_allclose(np.diff(part.file_bounds, axis=0)[0], [1016, 762, 508], rtol=1e-12)
    assert part.soundness.volume == pytest.approx(24000 * 25.4**3)
    assert part.mesh.volume == pytest.approx(24000 * 25.4**3)
    np.testing.assert_allclose(part.placed([[0, 0, 0]])[0], PLACE[:3] @ [0, 0, 0, 1])
    assert part.closed
    assert part.sagitta.largest == 0.0
    assert part.role == "neighbour"


def test_no_placement_changes_no_bit():
    plain = load_part(BOX, name="box", factor=1.0)
    same = load_part(BOX, name="box", factor=1.0, matrix=np.eye(4))
    assert plain.vertices.tobytes() == same.vertices.tobytes()
    np.testing.assert_array_equal(plain.file_bounds, [[0, 0, 0], [40, 30, 20]])


def test_placement_must_be_rigid():
    with pytest.raises(PlacementError, match=r"scales by 25\.4"):
        load_part(BOX, name="box", factor=1.0, matrix=np.diag([25.4, 25.4, 25.4, 1]))


def test_a_mirror_is_refused():
    with pytest.raises(PlacementError, match="mirrors"):
        load_part(BOX, name="box", factor=1.0, matrix=np.diag([-1.0, 1, 1, 1]))


def test_bad_file_names_itself():
    with pytest.raises(MeshFileError, match=r"bad_nan\.stl, triangle 7"):
        load_part(DEFECTS / "bad_nan.stl", name="x")


def test_declared_sagitta_and_rounding_far_out():
    assert load_part(BOX, name="b", sagitta=0.2).sagitta.largest == 0.2
    far = load_part(DEFECTS / "far_from_origin.stl", name="b", sagitta=0.2)
    # float32 moves by 2^-7 mm at 100 m: a corner is off by up to sqrt(3) / 2 of that.
    assert far.sagitta.largest == pytest.approx(0.2 + 3**0.5 / 2 * 2**-7)


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (25.4, "25.4 times too small: exported in inches?"),
        (10.0, "10 times too small: exported in cm?"),
        (1000.0, "1000 times too small: exported in m?"),
        (1 / 25.4, "25.4 times too large: exported in mm but read as inches?"),
        (0.1, "10 times too large: exported in mm but read as cm?"),
        (0.001, "1000 times too large: exported in mm but read as m?"),
        (2.54, "2.54 times too small"),
        (100.0, "100 times too small"),
    ],
)
def test_unit_suspicion(factor, words):
    size = np.array([40.0, 30.0, 20.0])
    assert words in suspect_unit(size, size * factor)
    assert words in suspect_unit(size, size * factor * [1.01, 0.99, 1])
    assert suspect_unit(size, size * factor * [1.1, 1, 1]) == ""
    assert suspect_unit(size, size * factor * 1.3) == ""


def test_flat_parts_can_be_suspected_too():
    assert "25.4" in suspect_unit((10, 20, 0), (254, 508, 0))
    assert suspect_unit((0, 0, 0), (1, 1, 1)) == ""


def test_exchanged_axes():
    assert suspect_axes((40, 30, 20), (20, 40, 30), 0.5)
    assert not suspect_axes((40, 30, 20), (20, 40, 31), 0.5)


def test_size_difference_knows_the_sagitta(tmp_path):
    trimesh.creation.cylinder(10, 30, sections=16).export(tmp_path / "c.stl")
    part = load_part(tmp_path / "c.stl", name="c", factor=1.0, matrix=PLACE)
    sagitta = FACTOR * 10 * (1 - np.cos(np.pi / 16))
    axis, quantity = size_difference(part, (20, 20, 30.0), 1.0)
    assert quantity.low == pytest.approx(0.0, abs=1e-12)
    assert quantity.high == pytest.approx(2 * sagitta * np.cos(np.pi / 16), rel=1e-5)
    axis, quantity = size_difference(part, (20, 21, 30.0), 0.1)
    assert axis == 1
    assert quantity.value == pytest.approx(1, rel=1e-5)
    assert quantity.low == pytest.approx(1 - 2 * sagitta * np.cos(np.pi / 16), rel=1e-4)
    axis, quantity = size_difference(part, (20, 20, 33.0), 0.1)
    assert (axis, quantity.low, quantity.high) == (
        2,
        pytest.approx(3, rel=1e-5),
        pytest.approx(3, rel=1e-5),
    )


def test_the_worst_point_counts_by_its_interval(tmp_path):
    trimesh.creation.cylinder(10, 30, sections=16).export(tmp_path / "c.stl")
    part = load_part(tmp_path / "c.stl", name="c", factor=1.0, matrix=PLACE)
    sagitta = FACTOR * 10 * (1 - np.cos(np.pi / 16))
    middle = 10 * np.cos(np.pi / 16) * np.array([np.cos(np.pi / 16), np.sin(np.pi / 16), 0])
    # On the cap's flat by 0.1, and in the middle of a facet by 0: the facet may be 0.24 off.
    off = furthest_off(part, [[0, 0, 15.1], middle], 0.15)
    assert off.row == 1
    assert off.quantity.high == pytest.approx(sagitta, rel=1e-4)
    off = furthest_off(part, [[0, 0, 15.3], middle], 0.15)
    assert off.row == 0
    assert off.quantity.value == pytest.approx(0.3, rel=1e-5)


def test_mirrors():
    part = load_part(BOX, name="b", factor=1.0, matrix=PLACE)
    points = [[-40.0, 10, 10], [-20, 0, 5], [-10, 30, 5]]
    assert mirrors_that_fit(part, points, 0.1) == ["in x about the plane through the origin"]
    # A box is its own mirror image about its middle; a point inside it fits nowhere.
    assert len(mirrors_that_fit(part, [[40.0, 10, 10]], 0.1)) == 3
    assert mirrors_that_fit(part, [[20.0, 15, 10]], 0.1) == []


def test_look_at_a_part_in_inches():
    seen = look(DEFECTS / "in_inches.stl")
    text = "\n".join(seen.lines())
    assert seen.plausible == ("cm", "m", "in")
    assert "1.5748 x 1.1811 x 0.787402 units" in text
    assert "40 x 30 x 20 mm if the unit is in" in text
    assert "suspicion only" in text
    known = look(DEFECTS / "in_inches.stl", 25.4)
    assert known.size == pytest.approx((40, 30, 20))
    assert "25.4 mm: a size a part of an engine bay may have" in "\n".join(known.lines())
    wrong = "\n".join(look(DEFECTS / "in_inches.stl", 1.0).lines())
    assert "1 mm looks wrong: the longest side is 1.575 mm; cm or m or in would" in wrong


def test_look_names_class_defects_and_place():
    text = "\n".join(look(DEFECTS / "one_triangle_missing.stl").lines())
    assert "open: a surface or a scan" in text
    assert "3 edges with one triangle only" in text
    assert "units round" in text
    text = "\n".join(look(DEFECTS / "far_from_origin.stl", 1.0).lines())
    assert "closed: inside and outside are defined" in text
    assert "volume 24000 mm3" in text
    assert "1e+05 mm from the origin; single precision moves in steps of 0.008" in text
    assert "export it near the origin" in text


def test_look_takes_the_unit_of_a_3mf(tmp_path):
    trimesh.creation.box((40, 30, 20)).export(tmp_path / "b.3mf")
    assert look(tmp_path / "b.3mf").factor == 1.0
    with pytest.raises(MeshFileError, match="states a unit of 1 mm"):
        look(tmp_path / "b.3mf", 25.4)


def test_look_tells_the_sagitta(tmp_path):
    trimesh.creation.cylinder(10, 30, sections=64).export(tmp_path / "c.stl")
    seen = look(tmp_path / "c.stl", 1.0)
    assert seen.facets[1] == pytest.approx(FACTOR * 10 * (1 - np.cos(np.pi / 64)), rel=1e-4)


@pytest.mark.parametrize("file", sorted(DEFECTS.glob("bad_*.stl")), ids=lambda f: f.stem)
def test_look_refuses_what_reading_refuses(file):
    with pytest.raises(MeshFileError):
        look(file)
