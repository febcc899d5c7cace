"""Every open finding with a number names a place that anyone can look at, on its part."""

import numpy as np
import pytest
import trimesh

from geomcheck import gate
from geomcheck.finding import Verdict
from geomcheck.project.load import load

PROJECT = """\
format = 1
name = "open questions"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = {sagitta}
size = [41.0, 40.0, 20.0]
size_tolerance = 0.5
on_surface = [[20.0, 0.0, 0.0], [0.0, 3.0, 0.0]]

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "bonnet"
file = "plate.stl"
class = "body panel"
sagitta = {sagitta}
trim = 1.0
place = {{ move = [0, 0, 14] }}

[[vehicle.part]]
name = "tray"
file = "plate.stl"
class = "body panel"
sagitta = {sagitta}
place = {{ datums = [
  {{ part = [0, 0, 0], at = [0, 0, -12] }},
  {{ part = [20, 0, 0], at = [20.4, 0, -12] }},
  {{ part = [0, 20, 0], at = [0, 20.4, -12] }},
  {{ part = [20, 20, 0], at = [20, 20, -12] }},
] }}

[[mate]]
name = "joint"
parts = ["housing", "tray"]
at = [12.0, 12.0, -10.0]
normal = [0, 0, -1]
gasket = 1.0
tolerance = 0.1

[[duct]]
name = "bore"
walls = ["housing"]
path = [[0, 0, -9], [0, 0, 9]]
least_area = 100.5

[duct.flow]
mass_flow = 0.1
most_mach = 0.01
most_loss = 0.001

[[fastener]]
name = "B1"
part = "housing"
at = [14.0, 14.0, 10.0]
axis = [0, 0, 1]
size = "M6"
head = "ISO 4762"
length = 20

[[movement]]
name = "drop"
parts = ["bonnet"]
hinge = {{ axis = [0, 1, 0], about = [-15, 0, 14], angle = [0, 2] }}
against = ["housing"]
required = 1.8

[check.fit-gap.required]
"body panel" = 2
"""


@pytest.fixture(params=[0.0, 0.3])
def findings(tmp_path, request):
    block = trimesh.creation.box((40, 40, 20))
    bore = trimesh.creation.box((10, 10, 30))
    trimesh.boolean.difference([block, bore]).export(tmp_path / "housing.stl")
    trimesh.creation.box((30, 30, 4)).export(tmp_path / "plate.stl")
    text = PROJECT.format(sagitta=request.param)
    (tmp_path / "project.toml").write_text(text, encoding="utf-8")
    run = gate.run(load(tmp_path / "project.toml"))
    return run.result.findings, run.assemblies["hatch"].parts


def test_open_findings_with_a_number_have_a_witness(findings):
    found, parts = findings
    asked = [
        one
        for one in found
        if one.verdict in (Verdict.FAIL, Verdict.UNDECIDED, Verdict.ERROR) and one.quantity
    ]
    # Not vacuous: gaps, size, point, placement, areas and screws are all open here.
    codes = {one.code for one in asked}
    assert codes >= {"fit-gap", "part-sound", "flow-area", "fasten-reach"}, codes
    for one in asked:
        assert one.witnesses, f"{one.code} {one.subject}"
        for witness in one.witnesses:
            assert witness.part in parts, f"{one.code} {one.subject}"
            assert np.isfinite(witness.point).all()
