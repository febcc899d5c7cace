"""Project files, good and bad: the message names file, line and entry, and what to do."""

import pytest

from geomcheck.errors import ProjectError
from geomcheck.project.load import load

GOOD = """\
format = 1
name = "test"
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

[[vehicle]]
name = "van"
[[vehicle.part]]
name = "belt"
file = "belt.stl"
class = "moving part"
"""

MATE = """
[[mate]]
name = "m"
parts = ["housing", "bonnet"]
at = [0, 0, 0]
normal = [0, 0, 1]
"""

FASTENER = """
[[fastener]]
name = "B1"
part = "housing"
at = [0, 0, 0]
axis = [0, 0, 2]
size = "M8"
head = "ISO 4762"
length = 30
"""


def write(tmp_path, text):
    file = tmp_path / "project.toml"
    file.write_text(text, encoding="utf-8")
    return file


def refused(tmp_path, text):
    with pytest.raises(ProjectError) as info:
        load(write(tmp_path, text))
    return info.value


def test_a_good_file_loads(tmp_path):
    project = load(write(tmp_path, GOOD + FASTENER))
    assert project.vehicles == ("hatch", "van")
    assert project.document.fasteners[0].axis == (0.0, 0.0, 1.0)


def test_a_project_without_vehicles_has_the_bench(tmp_path):
    text = GOOD.split("[[vehicle]]")[0]
    assert load(write(tmp_path, text)).vehicles == ("bench",)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    file = tmp_path / "project.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load(file).document.name == "test"


BAD = [
    # replaced text, new text, line, words in the message
    ('unit = "mm"', 'unit = "?"', 3, ["'mm', 'cm', 'm' or 'in'", "?"]),
    ('unit = "mm"\n', "", None, ["'unit' is missing", "add unit"]),
    ("format = 1", "format = 2", 1, ["input should be 1"]),
    ('file = "bonnet.stl"', 'fiel = "bonnet.stl"', 14, ["unknown key 'fiel'", "mean 'file'"]),
    ('class = "body panel"', "class = 3", 15, ["string", 'part "bonnet"']),
    ('role = "housing"\n', "", 5, ["0 parts have the role 'housing'"]),
    ('role = "housing"', 'role = "housing"\ngap = false', 9, ["left out", "take out gap"]),
    ('role = "housing"', 'role = "housing"\nopen_for_tools = true', 9, ["left out"]),
    ('name = "belt"', 'name = "housing"', 20, ["a second part is named 'housing'"]),
    ('name = "van"', 'name = "hatch"', 18, ["a second vehicle is named 'hatch'"]),
    ('class = "moving part"', 'role = "housing"', 22, ["cannot be the housing"]),
    ('file = "belt.stl"', 'file = "belt.stl"\nplace.matrix = [[1,0,0,0]]', 22, ["four rows"]),
    ('file = "belt.stl"', 'file = "belt.stl"\nsize = [1, 2]', 22, ["belt"]),
    ('file = "belt.stl"', 'file = "belt.stl"\nsize = [1, 2, nan]', 22, ["finite"]),
    ('file = "belt.stl"', 'file = "belt.stl"\nsagitta = -1', 22, ["greater than or equal to 0"]),
    (
        'file = "belt.stl"',
        'file = "belt.stl"\nplace.turn = [{axis=[0,0,0], angle=3}]',
        22,
        ["direction must not be zero"],
    ),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), BAD)
def test_a_bad_entry_is_refused_with_its_line(tmp_path, old, new, line, words):
    assert GOOD.count(old) == 1
    error = refused(tmp_path, GOOD.replace(old, new))
    assert error.line == line
    for word in words:
        assert word in error.text
    assert "project.toml" in error.text
    assert "\n" not in error.text


def test_not_toml_at_all(tmp_path):
    assert "not valid TOML" in refused(tmp_path, 'name = "x').text
    assert "not valid TOML" in refused(tmp_path, "solid housing\nfacet normal 0 0 1\n").text


def test_binary_file(tmp_path):
    file = tmp_path / "housing.stl"
    file.write_bytes(b"\x00\xff\xfe" * 50)
    with pytest.raises(ProjectError, match="not UTF-8"):
        load(file)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(ProjectError, match="no such file"):
        load(tmp_path / "none.toml")
    with pytest.raises(ProjectError, match="folder"):
        load(tmp_path)


def test_a_huge_file_is_not_read(tmp_path):
    file = tmp_path / "mesh.stl"
    with file.open("wb") as stream:
        stream.truncate(5_000_000)
    with pytest.raises(ProjectError, match="too large"):
        load(file)


def test_an_entry_for_all_vehicles_may_not_name_a_part_of_one(tmp_path):
    error = refused(tmp_path, GOOD + MATE)
    assert "there is no part named 'bonnet'" in error.text
    assert "add vehicle" in error.text
    assert error.line == 26
    project = load(write(tmp_path, GOOD + MATE + 'vehicle = "hatch"\n'))
    assert project.document.mates[0].vehicle == "hatch"
    assert "no part named" in refused(tmp_path, GOOD + MATE + 'vehicle = "van"\n').text


def test_unknown_names(tmp_path):
    text = FASTENER.replace('part = "housing"', 'part = "housin"')
    assert "did you mean 'housing'" in refused(tmp_path, GOOD + text).text
    assert "no vehicle named" in refused(tmp_path, GOOD + FASTENER + 'vehicle = "x"\n').text


def test_several_faults_are_counted(tmp_path):
    text = GOOD.replace("format = 1", 'format = 1\nodd = 1\nother = "x"')
    assert "(and 1 more fault in this file)" in refused(tmp_path, text).text


def test_a_vehicle_without_parts_is_refused(tmp_path):
    error = refused(tmp_path, GOOD + '[[vehicle]]\nname = "empty"\n')
    assert "'empty' has no parts" in error.text
    assert error.line == 23
