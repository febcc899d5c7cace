"""States: parts turned, moved or left out for the ducts that name them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from geomcheck import gate
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict
from geomcheck.project.load import load
from geomcheck.project.surveys import measured_ducts

HEAD = """\
format = 1
name = "test"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[part]]
name = "blade"
file = "blade.stl"
role = "carried"
place = { move = [0, 0, 100] }

[[part]]
name = "plug"
file = "plug.stl"
role = "carried"
"""
DUCT = """
[[duct]]
name = "inlet"
walls = ["housing"]
obstacles = ["blade", "plug"]
path = [[0, 0, 0], [0, 0, 200]]
spacing = 5.0
least_area = 3000.0
states = ["part-open", "wide open"]
"""
STATES = """
[[state]]
name = "part-open"
[[state.part]]
name = "blade"
place = { turn = [{ axis = [1, 0, 0], angle = 30, about = [0, 0, 100] }] }
[[state.part]]
name = "plug"
left_out = true

[[state]]
name = "wide open"
[[state.part]]
name = "blade"
place = { turn = [{ axis = [1, 0, 0], angle = 90, about = [0, 0, 100] }] }
[[state.part]]
name = "plug"
left_out = true
"""


@pytest.fixture
def write(tmp_path: Path):
    """Write a project with a bore of 80, a shut blade of 78 x 4 in it, and a plug across it."""
    trimesh.creation.annulus(40, 46, 200, sections=96).apply_translation([0, 0, 100]).export(
        tmp_path / "housing.stl"
    )
    trimesh.creation.cylinder(39, 4, sections=96).export(tmp_path / "blade.stl")
    trimesh.creation.cylinder(41, 10, sections=48).apply_translation([0, 0, 160]).export(
        tmp_path / "plug.stl"
    )

    def make(text: str) -> Path:
        file = tmp_path / "project.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return make


def test_parts_are_turned_on_from_where_they_stand(write) -> None:
    (base,) = load(write(HEAD + DUCT + STATES)).assemble()
    turned = base.in_state("part-open")
    assert (turned.state, base.state) == ("part-open", "")
    assert set(turned.parts) == {"housing", "blade"}
    assert turned.parts["housing"] is base.parts["housing"]
    # Turned by 30 degrees about x through the middle of the blade: 78 sin 30 + 4 cos 30 high.
    low, high = turned.parts["blade"].bounds
    assert high[2] - low[2] == pytest.approx(78 * 0.5 + 4 * np.cos(np.radians(30)), rel=1e-3)
    assert 0.5 * (low + high) == pytest.approx((0, 0, 100), abs=1e-6)
    # A point of the file's axes goes the same way, and the file's own bounds stay.
    edge = turned.parts["blade"].placed([(0.0, 39.0, 0.0)])[0]
    assert edge == pytest.approx((0, 39 * np.cos(np.radians(30)), 100 + 19.5))
    np.testing.assert_allclose(
        turned.parts["blade"].file_bounds, base.parts["blade"].file_bounds, atol=1e-9
    )
    assert base.in_state("part-open") is turned
    # What the picture needs: the way from where a part is placed, and what is gone.
    assert (base.pose, turned.pose["left_out"]) == ({}, ["plug"])
    moved = trimesh.transform_points(base.parts["blade"].vertices, turned.pose["maps"]["blade"])
    np.testing.assert_allclose(moved, turned.parts["blade"].vertices, atol=1e-9)
    assert list(turned.pose["maps"]) == ["blade"]


def test_how_well_a_part_stands_goes_with_it(write) -> None:
    pairs = [(0, 0, 0), (39, 0, 0), (0, 39, 0), (-39, 0.1, 0)]
    datums = ", ".join(
        f"{{ part = [{x}, {y}, {z}], at = [{x}, {y}, {z + 100}] }}" for x, y, z in pairs
    )
    placed = HEAD.replace("move = [0, 0, 100]", f"datums = [{datums}], accuracy = 0.2")
    (base,) = load(write(placed + DUCT + STATES)).assemble()
    (before,) = base.parts["blade"].alignments
    (after,) = base.in_state("wide open").parts["blade"].alignments
    # Turned by 90 degrees about x through (0, 0, 100): y goes to z.
    x, y, z = before.centre
    assert after.centre == pytest.approx((x, 100 - z, 100 + y), abs=1e-9)


def test_each_state_is_measured_and_the_rest_stays_as_placed(write) -> None:
    run = gate.run(load(write(HEAD + DUCT + STATES)), only=["flow-area"])
    areas = {f.subject: f for f in run.result.findings if "state" in f.subject}
    part_open = areas['duct "inlet", state "part-open"']
    wide = areas['duct "inlet", state "wide open"']
    # Wide open the blade is a plate 4 x 78 across the bore; the bore is 80.
    bore = np.pi * 1600
    assert wide.quantity is not None
    assert wide.quantity.value == pytest.approx(bore - 4 * 78, rel=3e-3)
    assert wide.verdict == Verdict.PASS
    # A plane through the turned blade cuts 4 / sin 30 of it, nearly as wide as the blade.
    assert part_open.quantity is not None
    assert part_open.quantity.value == pytest.approx(bore - 8 * 78, rel=5e-3)
    # As placed, the blade and the plug shut the bore; nobody asked.
    assert not [f for f in run.result.findings if f.subject == 'duct "inlet"']
    assert set(run.assemblies["bench"].parts) == {"housing", "blade", "plug"}


def test_a_duct_without_states_is_measured_as_placed(write) -> None:
    duct = DUCT.replace('states = ["part-open", "wide open"]\n', "")
    (base,) = load(write(HEAD + duct + STATES)).assemble()
    (only,) = measured_ducts(base)
    assert (only.assembly, only.subject) == (base, 'duct "inlet"')
    assert only.names == ("housing", "blade", "plug")


@pytest.mark.parametrize(
    ("old", "new", "at", "words"),
    [
        ('"part-open", "wide open"]', '"partopen"]', "states =", "no state named"),
        ('"part-open", "wide open"]', '"wide open", "wide open"]', "states =", "twice"),
        ('name = "wide open"', 'name = "part-open" # B', "# B", "second state"),
        (
            'name = "blade"\nplace = { turn',
            'name = "blda"\nplace = { turn',
            "blda",
            "no part named",
        ),
        ('name = "plug"\nleft_out', 'name = "housing" # B\nleft_out', "# B", "no state moves it"),
        ('name = "plug"\nleft_out', 'name = "blade" # B\nleft_out', "# B", "twice"),
        ('name = "plug"\nleft_out = true', '# B\nname = "plug"', "# B", "left_out = true"),
        ('obstacles = ["blade", "plug"]', "obstacles = []", "states =", "moves none"),
        ("left_out = true", "left_ou = true", "left_ou", "did you mean 'left_out'"),
        ("left_out = true", "place = {}", "[[state.part]]", "left_out = true"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(
    write, old: str, new: str, at: str, words: str
) -> None:
    text = HEAD + DUCT + STATES
    assert old in text
    head, _, tail = text.rpartition(old) if 'name = "plug"' in old else text.partition(old)
    text = head + new + tail
    line = next(n for n, row in enumerate(text.splitlines(), 1) if at in row)
    with pytest.raises(ProjectError, match=words) as caught:
        load(write(text))
    if "place = {}" not in new:  # that is the second table of parts
        assert caught.value.line in (line, line - 1)  # a table is found at its header


def test_datums_place_nothing_in_a_state(write) -> None:
    pairs = ", ".join("{ part = [0, 0, 0], at = [0, 0, 0] }" for _ in range(3))
    text = HEAD + DUCT + STATES.replace("left_out = true", f"place = {{ datums = [{pairs}] }}")
    with pytest.raises(ProjectError, match="not datums"):
        load(write(text))


def test_a_state_of_one_vehicle_only(write) -> None:
    vehicle = """
[[vehicle]]
name = "van"
[[vehicle.part]]
name = "belt"
file = "plug.stl"
class = "moving part"
"""
    of_the_van = STATES.replace('name = "part-open"', 'name = "part-open"\nvehicle = "van"')
    with pytest.raises(ProjectError, match="no state named 'part-open'"):
        load(write(HEAD + vehicle + DUCT + of_the_van))
    load(write(HEAD + vehicle + DUCT + 'vehicle = "van"\n' + of_the_van))
    of_no_van = of_the_van.replace('"van"', '"hatch"')
    with pytest.raises(ProjectError, match="no vehicle named 'hatch'"):
        load(write(HEAD + vehicle + of_no_van))


def test_a_state_may_not_leave_out_every_wall(write) -> None:
    text = HEAD + DUCT.replace('["housing"]', '["plug"]').replace('["blade", "plug"]', '["blade"]')
    run = gate.run(load(write(text + STATES)), only=["flow-area"])
    (found,) = [f for f in run.result.findings if f.verdict == Verdict.ERROR]
    assert "leaves out all walls" in found.message
    assert found.entry is not None
    assert found.entry.entry == 'duct "inlet" > states 1'


BLADE = """
[duct.flow]
mass_flow = 0.2
[[duct.flow.blade]]
part = "blade"
angle = { "part-open" = 60, "wide open" = 0 }
"""


def test_a_blade_has_an_angle_for_each_state(write) -> None:
    project = load(write(HEAD + DUCT + BLADE + STATES))
    flow = project.document.ducts[0].flow
    assert flow is not None
    assert [flow.blades[0].angle_in(s) for s in ("part-open", "wide open")] == [60.0, 0.0]
    for old, new, words in (
        ('{ "part-open" = 60, "wide open" = 0 }', "60", "no angle for the state 'part-open'"),
        (', "wide open" = 0', "", "no angle for the state 'wide open'"),
        ('"wide open" = 0', '"wideopen" = 0', "no state of this duct named 'wideopen'"),
        ('"wide open" = 0', '"wide open" = 95', "0 to 90 degrees off wide open"),
        ('part = "blade"\nangle', 'part = "blad"\nangle', "no part of this duct named 'blad'"),
    ):
        with pytest.raises(ProjectError, match=words) as caught:
            load(write((HEAD + DUCT + BLADE + STATES).replace(old, new)))
        assert "flow" in caught.value.entry
