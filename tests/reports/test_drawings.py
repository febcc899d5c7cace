"""Drawings, read back by ezdxf and by the csv module, against closed forms."""

from __future__ import annotations

import csv
import io
import time
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.errors import CannotDecide
from geomcheck.flow import outlines
from geomcheck.flow.survey import duct_area
from geomcheck.reports.drawings import area_csv, section_csv, section_dxf

SIDES = 96
POLYGON = SIDES / 2 * np.sin(2 * np.pi / SIDES)
#: pi a^2 less a shaft of 10 mm across the bore of 80 (closed form), with these facets.
HALVES = POLYGON * 1600 - 797.912


def tube(turn: np.ndarray | None = None) -> list[trimesh.Trimesh]:
    wall = trimesh.creation.annulus(40, 46, 200, sections=SIDES).apply_translation([0, 0, 100])
    across = trimesh.creation.cylinder(5, segment=[(-60, 0, 100), (60, 0, 100)], sections=256)
    rod = trimesh.creation.cylinder(6, segment=[(10, 5, 140), (10, 5, 180)], sections=SIDES)
    meshes = [wall, across, rod]
    return meshes if turn is None else [mesh.apply_transform(turn) for mesh in meshes]


def surveyed(turn: np.ndarray | None = None):
    line = np.array([[0.0, 0, 0], [0, 0, 200]])
    if turn is not None:
        line = line @ turn[:3, :3].T + turn[:3, 3]
    wall, *things = tube(turn)
    return duct_area(wall, line, obstacles=things, stations=np.linspace(0, 200, 41))


def read(text: str) -> list[tuple[str, np.ndarray]]:
    """Layer and points of each closed polyline."""
    drawing = ezdxf.read(io.StringIO(text))
    assert drawing.units == ezdxf.units.MM
    assert not drawing.audit().has_errors
    found = []
    for line in drawing.modelspace().query("LWPOLYLINE"):
        assert line.closed
        found.append((line.dxf.layer, np.array(line.get_points("xy"))))
    return found


def enclosed(loops: list[tuple[str, np.ndarray]]) -> float:
    return sum(
        (1 if layer == "OPENING" else -1) * shapely.Polygon(points).area for layer, points in loops
    )


def test_a_round_section() -> None:
    found = outlines.outline(surveyed(), 20.0)
    (loop,) = read(section_dxf(found, "bore"))
    assert loop[0] == "OPENING"
    assert enclosed([loop]) == pytest.approx(POLYGON * 1600, rel=1e-8)
    assert found.area == pytest.approx(POLYGON * 1600, rel=1e-12)


def test_the_throat_is_in_two_pieces() -> None:
    survey = surveyed()
    found = outlines.throat(survey)
    loops = read(section_dxf(found, "throat"))
    assert [layer for layer, _ in loops] == ["OPENING", "OPENING"]
    assert enclosed(loops) == pytest.approx(HALVES, rel=1e-3)
    assert enclosed(loops) == pytest.approx(survey.throat.area.value, rel=1e-7)
    texts = [t.dxf.text for t in ezdxf.read(io.StringIO(section_dxf(found, "x"))).query("TEXT")]
    assert texts[0] == "x"
    assert f"open area {survey.throat.area.value:.2f} mm2" in texts[1]
    assert "throat, 100.00 mm along the path" in texts[1]


def test_what_stands_free_is_an_island() -> None:
    found = outlines.outline(surveyed(), 160.0)
    loops = read(section_dxf(found, "island"))
    assert sorted(layer for layer, _ in loops) == ["IN THE OPENING", "OPENING"]
    assert enclosed(loops) == pytest.approx(POLYGON * (1600 - 36), rel=1e-8)


def test_the_throat_with_an_island() -> None:
    wall, _, rod = tube()
    survey = duct_area(wall, [[0, 0, 0], [0, 0, 200]], obstacles=[rod], spacing=5.0)
    found = outlines.throat(survey)
    assert [loop.island for loop in found.loops] == [False, True]
    drawn = np.vstack([found.to_space(loop.uv) for loop in found.loops])
    known = np.vstack([ring[:-1] for ring in survey.throat.outline])
    np.testing.assert_allclose(drawn, known, atol=1e-9)
    np.testing.assert_allclose(np.cross(found.frame[3:6], found.frame[6:9]), found.frame[9:])
    assert found.area == pytest.approx(survey.throat.area.value, rel=1e-9)


def test_the_drawing_stands_where_its_frame_says(tmp_path: Path) -> None:
    turn = trimesh.transformations.random_rotation_matrix(np.random.default_rng(5).random(3))
    turn[:3, 3] = (200.0, -50.0, 30.0)
    for name in (20.0, 160.0):
        plain, turned = (outlines.outline(survey, name) for survey in (surveyed(), surveyed(turn)))
        assert turned.area == pytest.approx(plain.area, rel=1e-9)
        rows = list(csv.DictReader(io.StringIO(section_csv(turned))))
        points = np.array([[float(row[k]) for k in ("x_mm", "y_mm", "z_mm")] for row in rows])
        back = (points - turn[:3, 3]) @ turn[:3, :3]
        np.testing.assert_allclose(back[:, 2], name, atol=2e-6)
        uv = np.array([[float(row[k]) for k in ("u_mm", "v_mm")] for row in rows])
        f = turned.frame
        np.testing.assert_allclose(
            f[:3] + uv[:, :1] * f[3:6] + uv[:, 1:] * f[6:9], points, atol=3e-6
        )
        np.testing.assert_allclose(np.cross(f[3:6], f[6:9]), f[9:12], atol=1e-12)
        assert {row["area_mm2"] for row in rows} == {f"{turned.area:.6f}"}
        assert len({row["loop"] for row in rows}) == len(turned.loops)


def test_the_area_curve_is_a_table() -> None:
    survey = surveyed()
    rows = list(csv.DictReader(io.StringIO(area_csv(survey))))
    assert len(rows) == len(survey.fine_s)
    areas = np.array([float(row["area_mm2"]) for row in rows])
    np.testing.assert_allclose(areas, survey.fine_area, atol=1e-6)
    assert min(areas) == pytest.approx(survey.throat.area.value, abs=1e-6)
    assert {row["state"] for row in rows} == {"measured"}
    halves = trimesh.util.concatenate(
        [
            trimesh.creation.annulus(40, 46, 99, sections=SIDES).apply_translation([0, 0, z])
            for z in (49.5, 150.5)
        ]
    )
    torn = duct_area(halves, [[0, 0, 0], [0, 0, 200]], stations=np.linspace(0, 200, 41))
    rows = list(csv.DictReader(io.StringIO(area_csv(torn))))
    gap = [row for row in rows if row["state"] != "measured"]
    assert gap
    assert {row["area_mm2"] for row in gap} == {""}
    with pytest.raises(CannotDecide, match="leaking"):
        outlines.outline(torn, 100.0)


def test_two_drawings_are_the_same_bytes() -> None:
    texts = []
    for _ in range(2):
        texts.append(section_dxf(outlines.throat(surveyed()), "t"))
        time.sleep(1.1)  # the time in a drawing's head counts seconds
    assert texts[0] == texts[1]
    assert not ezdxf.options.write_fixed_meta_data_for_testing


PROJECT = """\
format = 1
name = "test"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[part]]
name = "shaft"
file = "shaft.stl"
role = "carried"

[[duct]]
name = "Ein/lass ../ß"
walls = ["housing"]
obstacles = ["shaft"]
path = [[0, 0, 0], [0, 0, 200]]
spacing = 5.0
least_area = 4000.0
draw = [60.0, 120.5]
states = ["with", "without"]

[[duct]]
name = "inlet"
walls = ["housing"]
path = [[0, 0, 0], [0, 0, 200]]
least_area = 4000.0
draw = [30.0]

[[duct]]
name = "In/let"
walls = ["housing"]
path = [[0, 0, 0], [0, 0, 200]]
least_area = 4000.0

[[duct]]
name = "in let"
walls = ["housing"]
path = [[0, 0, 0], [0, 0, 200]]
least_area = 4000.0

[[state]]
name = "with"
[[state.part]]
name = "shaft"
place = { move = [0, 0, 10] }
[[state]]
name = "without"
[[state.part]]
name = "shaft"
left_out = true
"""


def test_the_command_line_writes_them(tmp_path: Path) -> None:
    wall, across, _ = tube()
    wall.export(tmp_path / "housing.stl")
    across.export(tmp_path / "shaft.stl")
    file = tmp_path / "project.toml"
    file.write_text(PROJECT, encoding="utf-8")
    found = []
    for folder in ("one", "two"):
        out = tmp_path / folder
        done = CliRunner().invoke(cli, ["check", str(file), "--drawings", str(out)])
        assert done.exit_code == 0, done.output
        assert f"files of drawings in {out}" in done.output
        found.append({p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()})
    assert found[0] == found[1]
    names = {str(name) for name in found[0]}
    assert "bench/inlet/throat.dxf" in names
    assert "bench/inlet/at-00030.00.csv" in names
    assert "bench/ein-lass-state-with/at-00120.50.dxf" in names
    assert "bench/ein-lass-state-without/area.csv" in names
    assert {"bench/in-let/area.csv", "bench/in-let-2/area.csv"} <= names
    assert len(names) == 9 + 9 + 7 + 5 + 5  # area; throat, inlet and asked places as DXF and CSV


def test_what_cannot_be_drawn_is_said(tmp_path: Path) -> None:
    gap = trimesh.util.concatenate(
        [
            trimesh.creation.annulus(40, 46, 99, sections=SIDES).apply_translation([0, 0, z])
            for z in (49.5, 150.5)
        ]
    )
    gap.export(tmp_path / "housing.stl")
    text = PROJECT.replace('obstacles = ["shaft"]\n', "").replace(
        'states = ["with", "without"]\n', ""
    )
    text = text[: text.index("[[state]]")].replace("draw = [30.0]", "draw = [100.0]")
    tube()[1].export(tmp_path / "shaft.stl")
    file = tmp_path / "project.toml"
    file.write_text(text, encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", str(file), "--drawings", str(tmp_path / "out")])
    assert done.exit_code == 4
    assert 'not drawn: bench, duct "inlet": there is no closed outline at 100.00 mm' in done.output
    assert (tmp_path / "out" / "bench" / "inlet" / "throat.dxf").exists()


def test_a_place_beyond_the_path_is_refused(tmp_path: Path) -> None:
    wall, across, _ = tube()
    wall.export(tmp_path / "housing.stl")
    across.export(tmp_path / "shaft.stl")
    file = tmp_path / "project.toml"
    file.write_text(PROJECT.replace("120.5", "220.5"), encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", str(file), "--all"])
    assert done.exit_code == 2
    assert "220.5 mm on a path of 200.00 mm" in done.output
