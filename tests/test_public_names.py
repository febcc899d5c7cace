"""The names a script may rely on: ``import geomcheck`` and what hangs from it."""

from __future__ import annotations

import inspect
import subprocess
import sys

import numpy as np
import pytest
import trimesh

import geomcheck
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.tools import Tool

PROJECT = """\
format = 1
name = "two boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
place.move = [0, 0, {move}]

[check.fit-gap.required]
"body panel" = 10
"""


def test_the_import_alone_does_not_load_numpy():
    """A command line that only prints its help, or a linter, need not wait for it."""
    code = (
        "import sys, geomcheck\n"
        "loaded = {name.partition('.')[0] for name in sys.modules}\n"
        "print(*sorted(loaded & {'numpy', 'numba', 'scipy', 'trimesh', 'shapely', 'matplotlib'}))"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == ""


def test_every_name_is_there_and_listed():
    names = {"read_mesh", "gap", "duct_area", "reach", "check", "InputError"}
    assert names <= set(geomcheck.__all__)
    assert names <= set(dir(geomcheck))
    for name in geomcheck.__all__:
        assert getattr(geomcheck, name) is not None
    for name in names:
        assert inspect.getdoc(getattr(geomcheck, name))
    with pytest.raises(AttributeError, match="no_such_name"):
        geomcheck.no_such_name  # noqa: B018


@pytest.mark.parametrize(
    ("unit", "size"), [("mm", 10.0), ("cm", 100.0), ("in", 254.0), ("m", 10000.0)]
)
def test_read_mesh_gives_a_trimesh_in_mm(unit, size, tmp_path):
    file = tmp_path / "block.stl"
    trimesh.creation.box((10, 20, 30)).export(file)
    for path in (file, str(file)):
        mesh = geomcheck.read_mesh(path, unit)
        assert isinstance(mesh, trimesh.Trimesh)
        assert mesh.extents == pytest.approx((size, 2 * size, 3 * size))
        assert len(mesh.faces) == 12  # every triangle of the file, joined at equal corners
        assert len(mesh.vertices) == 8
        assert mesh.volume == pytest.approx(6 * size**3)


def test_read_mesh_refuses_what_is_no_mesh(tmp_path):
    with pytest.raises(geomcheck.InputError, match=r"missing\.stl"):
        geomcheck.read_mesh(tmp_path / "missing.stl", "mm")
    empty = tmp_path / "empty.stl"
    empty.write_bytes(b"")
    with pytest.raises(geomcheck.InputError, match=r"empty\.stl"):
        geomcheck.read_mesh(empty, "mm")
    whole = tmp_path / "whole.stl"
    trimesh.creation.box((1, 1, 1)).export(whole)
    with pytest.raises(geomcheck.InputError, match="furlong"):
        geomcheck.read_mesh(whole, "furlong")


def test_gap():
    a = trimesh.creation.box((10, 10, 10))
    apart = geomcheck.gap(a, a.copy().apply_translation((14, 0, 0)))
    assert apart.state == "apart"
    assert apart.distance == 4.0
    assert apart.depth is None
    assert apart.point_a[0] == 5.0
    assert apart.point_b[0] == 9.0
    for point, triangle, shift in (
        (apart.point_a, apart.triangle_a, 0.0),
        (apart.point_b, apart.triangle_b, 14.0),
    ):
        corners = a.triangles[triangle] + (shift, 0.0, 0.0)
        nearest = trimesh.triangles.closest_point(corners[None], np.array([point]))
        assert np.allclose(nearest, point, atol=1e-12)
    deep = geomcheck.gap(a, a.copy().apply_translation((9, 0, 0)))
    assert deep.state == "overlapping"
    assert deep.distance == 0.0
    assert deep.depth == pytest.approx(1.0, rel=1e-2)
    with pytest.raises(geomcheck.InputError):
        geomcheck.gap(np.zeros((0, 3, 3)), a)


def test_duct_area():
    """A pipe bored 40 mm, of 64 sides: area and hydraulic diameter of the regular polygon."""
    pipe = trimesh.creation.annulus(r_min=20.0, r_max=25.0, height=100.0, sections=64)
    survey = geomcheck.duct_area(pipe, [(0, 0, -40), (0, 0, 40)], stations=9)
    polygon = 64 / 2 * 20.0**2 * np.sin(2 * np.pi / 64)
    assert survey.station == pytest.approx(np.linspace(0.0, 80.0, 9))
    assert survey.area == pytest.approx(np.full(9, polygon), rel=1e-9)
    # Four times the area over the perimeter of a regular polygon is twice its inner radius.
    assert survey.hydraulic_diameter == pytest.approx(
        np.full(9, 40.0 * np.cos(np.pi / 64)), rel=1e-9
    )
    assert survey.throat.area.value == pytest.approx(polygon, rel=1e-9)
    with pytest.raises(geomcheck.InputError):
        geomcheck.duct_area(pipe, [(90, 0, -40), (90, 0, 40)])


def test_reach():
    """A block whose near face stands 30 mm from the axis of a tool of radius 8: 22 mm of room."""
    plate = trimesh.creation.box((200, 200, 10)).apply_translation((0, 0, -5))
    block = trimesh.creation.box((10, 60, 60)).apply_translation((35, 0, 30.5))
    fastener = Fastener.of("ISO 4762", "M8", (0, 0, 0), (0, 0, 1), length=25)
    tool = Tool("sleeve", "own", "hexagon socket", 6.0, ((0.0, 60.0, 16.0),))
    found = geomcheck.reach(fastener, tool, {"plate": plate, "block": block})
    assert found.blocker == "block"
    assert found.room == pytest.approx(22.0, abs=1e-9)


def test_check_takes_a_path_or_a_string(tmp_path):
    for name in ("housing", "bonnet"):
        trimesh.creation.box((20, 20, 20)).export(tmp_path / f"{name}.stl")
    file = tmp_path / "project.toml"
    codes = {}
    for move in (32.0, 26.0):
        file.write_text(PROJECT.format(move=move), encoding="utf-8")
        for path in (file, str(file)):
            result = geomcheck.check(path)
            gaps = [finding for finding in result.findings if finding.code == "fit-gap"]
            assert [finding.quantity.value for finding in gaps] == pytest.approx([move - 20.0])
            codes[move] = result.exit_code
    assert codes == {32.0: 0, 26.0: 1}


def test_check_refuses_a_missing_project(tmp_path):
    with pytest.raises(geomcheck.InputError, match=r"nowhere\.toml"):
        geomcheck.check(tmp_path / "nowhere.toml")
