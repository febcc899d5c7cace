"""The command line as a user meets it: what is printed, and the exit code."""

import json
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest
import trimesh

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


def geomcheck(*arguments, cwd=None, env=None):
    return subprocess.run(
        [sys.executable, "-m", "geomcheck", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
        env=env,
        timeout=300,
        check=False,
    )


@pytest.fixture
def project(tmp_path):
    """Two 20 mm boxes, 6 mm (or as asked) apart along z."""
    folder = tmp_path / "my parts é"
    folder.mkdir()
    for name in ("housing", "bonnet"):
        trimesh.creation.box((20, 20, 20)).export(folder / f"{name}.stl")

    def write(gap=6.0, text=PROJECT):
        file = folder / "project.toml"
        file.write_text(text.replace("{move}", str(20 + gap)), encoding="utf-8")
        return file

    return write


def test_a_gap_too_small_fails(project):
    done = geomcheck("check", project(6))
    assert done.returncode == 1
    assert "6.00 mm" in done.stdout
    assert "required at least 10.00 mm" in done.stdout
    assert "line 12" in done.stdout
    assert done.stderr == ""


def test_a_gap_large_enough_passes(project):
    done = geomcheck("check", project(12))
    assert done.returncode == 0
    assert "12.00 mm" in done.stdout


def test_all_reports_in_one_run(project, tmp_path):
    out = tmp_path / "out"
    done = geomcheck(
        "check",
        project(6),
        "--json",
        out / "r.json",
        "--junit",
        out / "r.xml",
        "--html",
        out / "r.html",
    )
    assert done.returncode == 1
    data = json.loads((out / "r.json").read_text(encoding="utf-8"))
    assert data["exit_code"] == 1
    gap = next(f for f in data["findings"] if f["code"] == "fit-gap")
    assert gap["quantity"]["value"] == 6.0
    assert ET.parse(out / "r.xml").getroot().get("failures") == "2"  # gap and zones
    assert "<html" in (out / "r.html").read_text(encoding="utf-8")
    assert sorted(path.name for path in out.iterdir()) == ["r.html", "r.json", "r.xml"]


def test_json_alone_on_standard_output(project):
    done = geomcheck("check", project(6), "--json", "-")
    assert json.loads(done.stdout)["exit_code"] == 1


def test_relative_paths_from_another_folder(project, tmp_path):
    file = project(12)
    done = geomcheck("check", file.relative_to(tmp_path), cwd=tmp_path)
    assert done.returncode == 0


def test_only_and_vehicle_choose(project):
    assert geomcheck("check", project(6), "--only", "fasten-reach").returncode == 3
    assert geomcheck("check", project(6), "--vehicle", "hatch").returncode == 1
    unknown = geomcheck("check", project(6), "--vehicle", "van")
    assert (unknown.returncode, "known vehicles: hatch" in unknown.stderr) == (2, True)
    unknown = geomcheck("check", project(6), "--only", "fit-gab")
    assert (unknown.returncode, "did you mean 'fit-gap'? known checks" in unknown.stderr) == (
        2,
        True,
    )


def test_nothing_asked_is_exit_3(project):
    text = PROJECT.split("[[vehicle]]")[0]
    done = geomcheck("check", project(6, text))
    assert done.returncode == 3
    assert "nothing was checked" in done.stdout


def test_a_class_without_required_gap_is_refused(project):
    done = geomcheck("check", project(6, PROJECT.split("[check")[0]))
    assert done.returncode == 2
    assert "body panel" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_an_unwritable_report_is_one_message(project, tmp_path):
    (tmp_path / "file").write_text("")
    done = geomcheck("check", project(6), "--json", tmp_path / "file" / "r.json")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_explain_lists_and_explains():
    done = geomcheck("explain")
    assert done.returncode == 0
    codes = [line.split()[0] for line in done.stdout.splitlines()]
    assert {"fit-gap", "flow-area", "fasten-reach", "part-sound"} <= set(codes)
    for code in codes:
        text = geomcheck("explain", code).stdout
        for heading in ("What:", "Why:", "Remedy:"):
            assert heading in text, (code, heading)
    assert geomcheck("explain", "nonsense").returncode == 2


def test_look_tells_size_and_class(project):
    done = geomcheck("look", project(6).parent / "housing.stl")
    assert done.returncode == 0
    assert "20" in done.stdout
    assert "closed" in done.stdout


def test_help_is_quick_to_import():
    """No mesh library and no compiler for --help; measured as modules, not as time."""
    code = (
        "import sys; sys.argv = ['geomcheck', '--help']\n"
        "from geomcheck.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print(sorted({'numpy', 'numba', 'trimesh', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
