"""A first project file from a folder of meshes."""

import tomllib

import pytest
import trimesh

from geomcheck.errors import InputError, ProjectError
from geomcheck.project.entries import (
    ConnectorEntry,
    DuctEntry,
    OrderEntry,
    ServiceEntry,
    StateEntry,
)
from geomcheck.project.load import load
from geomcheck.project.new import write_project


@pytest.fixture
def folder(tmp_path):
    here = tmp_path / "bay é"
    (here / "van").mkdir(parents=True)
    box = trimesh.creation.box((30, 20, 10))
    box.export(here / "blower housing.stl")
    box.export(here / 'bonnet "left".stl')
    box.export(here / "van" / "belt.STL", file_type="stl")
    (here / "van" / "broken.stl").write_bytes(b"")
    (here / "notes.txt").write_text("not a mesh")
    return here


def test_everything_found_is_listed_and_nothing_guessed(folder):
    text = write_project(folder, None, force=False).read_text(encoding="utf-8")
    data = tomllib.loads(text)
    assert data["unit"] == "?"
    assert [part["name"] for part in data["part"]] == ["blower housing"]
    listed = {part["file"]: part for part in data["vehicle"][0]["part"]}
    assert set(listed) == {'bonnet "left".stl', "van/belt.STL", "van/broken.stl"}
    assert all(part["class"] == "?" for part in listed.values())
    assert "CANNOT BE READ" in text
    assert "30.000, 20.000, 10.000" in text


def test_the_file_is_refused_until_it_is_filled_in(folder):
    file = write_project(folder, None, force=False)
    with pytest.raises(ProjectError, match="unit"):
        load(file)
    text = file.read_text(encoding="utf-8").replace('unit = "?" ', 'unit = "mm"')
    file.write_text(text, encoding="utf-8")
    assert load(file).vehicles == ("first vehicle",)


def test_starting_values_carry_their_source(folder):
    text = write_project(folder, None, force=False).read_text(encoding="utf-8")
    required = tomllib.loads(text)["check"]["fit-gap"]["required"]
    assert {"body panel", "hot part", "fuel line", "moving part"} <= set(required)
    block = text.split("[check.fit-gap.required]")[1].split("\n\n")[0].strip().splitlines()
    assert all("#" in line for line in block)


def test_an_existing_file_is_kept(folder):
    file = write_project(folder, None, force=False)
    file.write_text("mine")
    with pytest.raises(InputError, match="exists"):
        write_project(folder, None, force=False)
    assert file.read_text() == "mine"
    write_project(folder, None, force=True)
    assert "format = 1" in file.read_text(encoding="utf-8")


def test_elsewhere_paths_stay_right(folder, tmp_path):
    file = write_project(folder, tmp_path / "p.toml", force=False)
    data = tomllib.loads(file.read_text(encoding="utf-8"))
    assert (file.parent / data["part"][0]["file"]).is_file()


def test_no_folder_and_no_meshes(tmp_path):
    with pytest.raises(InputError, match="not a folder"):
        write_project(tmp_path / "none", None, force=False)
    with pytest.raises(InputError, match="no mesh files"):
        write_project(tmp_path, None, force=False)


@pytest.mark.parametrize("left_out", [("path =",), ("inlet =", "outlet =", "closed =")])
def test_the_examples_of_ducts_and_states_can_be_used(folder, left_out):
    text = write_project(folder, None, force=False).read_text(encoding="utf-8")
    block = text.split("# [[duct]]\n")[1].split("# A screw")[0].splitlines()
    lines = [line.removeprefix("# ") for line in block if "=" in line or line.startswith("# [")]
    lines = [line for line in lines if not line.startswith(left_out)]
    data = tomllib.loads("\n".join(["[[duct]]", *lines]))
    duct = DuctEntry.model_validate(data["duct"][0])
    state = StateEntry.model_validate(data["state"][0])
    assert duct.states == (state.name,) and duct.flow is not None and duct.draw
    assert bool(duct.path) == (left_out[0] != "path =") == (duct.inlet is None)


def test_the_examples_of_connectors_and_service_points_can_be_used(folder):
    text = write_project(folder, None, force=False).read_text(encoding="utf-8")
    block = text.split("# [[connector]]\n")[1].splitlines()
    lines = [line.removeprefix("# ") for line in block if " = " in line or line.startswith("# [[")]
    data = tomllib.loads("\n".join(["[[connector]]", *lines]))
    assert ConnectorEntry.model_validate(data["connector"][0]).when == "first"
    assert ServiceEntry.model_validate(data["service"][0]).length == 90


def test_the_example_of_an_order_can_be_used(folder):
    text = write_project(folder, None, force=False).read_text(encoding="utf-8")
    block = text.split("# [order]\n")[1].split("# A plug")[0].splitlines()
    lines = [line.removeprefix("# ") for line in block if " = " in line or line.startswith("# [[")]
    order = OrderEntry.model_validate(tomllib.loads("\n".join(["[order]", *lines]))["order"])
    assert order.moves[0].directions == ((0.0, 0.0, 1.0),)
    assert order.rules[0].then == "B1"
