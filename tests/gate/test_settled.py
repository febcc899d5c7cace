"""Waivers and the baseline on whole projects: what holds, what no longer does, and the exit code.

Two boxes a stated distance apart: every value is the distance of two faces.
"""

import datetime
import json
import re
import tomllib

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli

PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "{file}"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"

[check.fit-gap.required]
"body panel" = 10
"""
BASELINE = """
[baseline]
file = "accepted/baseline.json"
checks = ["fit-gap"]
noise = { mm = 0.02 }
"""


@pytest.fixture
def folder(tmp_path):
    project(tmp_path, 6.0)
    return tmp_path


def project(folder, gap, *, more="", file="housing.stl", lower=0.0):
    """A housing whose top is at z = 5, lowered by ``lower``, and a bonnet ``gap`` over z = 5."""
    trimesh.creation.box((20, 20, 10 - lower)).apply_translation((0, 0, -lower / 2)).export(
        folder / file
    )
    trimesh.creation.box((60, 60, 4)).apply_translation((0, 0, 7 + gap)).export(
        folder / "bonnet.stl"
    )
    (folder / "project.toml").write_text(PROJECT.format(file=file) + more, encoding="utf-8")


def call(*arguments, code=0):
    done = CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=True)
    if code == "refused":
        assert done.exception is not None
        return str(getattr(done.exception, "text", done.exception))
    assert done.exit_code == code, done.output
    return done.output


def check(folder, code, *options):
    text = call(
        "check", folder / "project.toml", "--only", "fit-gap", "--json", "-",
        "--today", "2026-06-01", *options, code=code,
    )  # fmt: skip
    return json.loads(text)["findings"]


def waive(folder, *, expires="2026-12-31", subject="housing / bonnet", code=0, radius=10):
    return call(
        "waive", folder / "project.toml", "fit-gap", subject, "--vehicle", "hatch",
        "--reason", 'The rib is cut back in "C"; agreed.', "--owner", "B. Smith",
        "--expires", expires, "--radius", radius, code=code,
    )  # fmt: skip


def gap_of(findings):
    (found,) = [f for f in findings if f["code"] == "fit-gap"]
    return found


def test_a_waived_finding_passes_the_gate_and_says_so_everywhere(folder):
    assert gap_of(check(folder, 1))["verdict"] == "fail"
    text = waive(folder)
    table = tomllib.loads(text)["waiver"][0]
    assert table["at_least"] == pytest.approx(6.0, abs=0.01)
    assert table["expires"] == datetime.date(2026, 12, 31)
    assert set(table["shape"]) == {"housing", "bonnet"}
    project(folder, 6.0, more=text)
    sarif, junit, summary = (folder / n for n in ("o.sarif", "o.xml", "o.md"))
    found = gap_of(check(folder, 0, "--sarif", sarif, "--junit", junit, "--markdown", summary))
    assert found["verdict"] == "waived"
    assert found["details"]["waiver"]["owner"] == "B. Smith"
    assert 'The rib is cut back in "C"; agreed.' in found["message"]
    assert (
        "agreed"
        in json.loads(sarif.read_text())["runs"][0]["results"][0]["suppressions"][0][
            "justification"
        ]
    )
    assert "skipped" in junit.read_text()
    assert "Waived: hatch" in summary.read_text()
    assert check(folder, 1, "--fail-level", "waived")


def test_a_renamed_file_keeps_its_waiver(folder):
    text = waive(folder)
    project(folder, 6.0, more=text, file="renamed.stl")
    (folder / "housing.stl").unlink()
    assert gap_of(check(folder, 0))["verdict"] == "waived"


@pytest.mark.parametrize(
    ("gap", "lower", "why"),
    [
        (5.9, 0.0, "less than its bound"),
        (6.2, 0.0, "the surface of bonnet there is not what it was"),
        (6.0, 0.2, "the surface of housing there is not what it was"),
    ],
)
def test_a_moved_wall_loses_it(folder, gap, lower, why):
    text = waive(folder)
    project(folder, gap, more=text, lower=lower)
    found = gap_of(check(folder, 1))
    assert found["verdict"] == "fail"
    assert why in found["message"]


def test_it_holds_on_its_last_day_and_not_on_the_next(folder):
    text = waive(folder, expires="2026-06-01")
    project(folder, 6.0, more=text)
    assert gap_of(check(folder, 0))["verdict"] == "waived"
    text = waive(folder, expires="2026-05-31")
    project(folder, 6.0, more=text)
    found = gap_of(check(folder, 1))
    assert "expired on 2026-05-31" in found["message"]


def test_a_waiver_that_nothing_needs_is_a_remark(folder):
    text = waive(folder)
    project(folder, 12.0, more=text)
    findings = check(folder, 0)
    (remark,) = [f for f in findings if f["code"] == "waiver"]
    assert remark["verdict"] == "not applicable"
    assert remark["entry"]["line"] == PROJECT.count("\n") + 1
    # a run that does not ask says nothing of it
    out = call("check", folder / "project.toml", "--only", "part-sound", "--json", "-", code=3)
    assert not [f for f in json.loads(out)["findings"] if f["code"] == "waiver"]


def test_a_place_of_its_own(folder):
    """The bound and the shape are right, but the waiver was given for another place."""
    text = waive(folder)
    moved = re.sub(r"^at = \[.*\]", "at = [500.0, 0.0, 5.0]", text, flags=re.MULTILINE)
    project(folder, 6.0, more=moved)
    assert "from the waiver's" in gap_of(check(folder, 1))["message"]


def test_what_cannot_be_waived(folder):
    assert "asks nothing about" in waive(folder, subject="housing / roof", code="refused")
    project(folder, 12.0)
    assert "only what failed" in waive(folder, code="refused")


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('code = "fit-gap"', 'code = "fit-gasp"', "there is no check 'fit-gasp'"),
        ('vehicle = "hatch"\nsubject', 'vehicle = "van"\nsubject', "van"),
        ('"housing" = "', '"housing" = "x', "no mark of a surface"),
        ("reason = ", "rason = ", "unknown key 'rason'"),
        ("at_least = ", "at_most = 1.0\nat_least = ", "not both"),
    ],
)
def test_a_damaged_waiver_is_refused(folder, before, after, said):
    text = waive(folder)
    assert before in text
    project(folder, 6.0, more=text.replace(before, after))
    assert said in call("check", folder / "project.toml", "--only", "fit-gap", code="refused")


def answers(findings):
    return {f["subject"]: f["verdict"] for f in findings if f["code"] == "baseline"}


def accept(folder):
    return call("accept", folder / "project.toml", "--only", "fit-gap")


GAP = "fit-gap housing / bonnet, gap"


def test_a_value_nobody_accepted_fails_and_an_accepted_one_passes(folder):
    project(folder, 12.0, more=BASELINE)
    assert "baseline cannot be read" in call(
        "check", folder / "project.toml", "--only", "fit-gap", code="refused"
    )
    accept(folder)
    file = folder / "accepted" / "baseline.json"
    written = file.read_bytes()
    assert answers(check(folder, 0)) == {GAP: "pass"}
    assert file.read_bytes() == written  # a check never writes it
    assert "1 as they were" in accept(folder)
    assert file.read_bytes() == written
    (entry,) = json.loads(written)["entries"]
    assert (entry["value"], entry["unit"]) == (12.0, "mm")
    file.write_text(json.dumps({"format": "geomcheck baseline", "version": 1, "entries": []}))
    assert answers(check(folder, 1)) == {GAP: "fail"}


@pytest.mark.parametrize(
    ("gap", "code", "verdict"),
    [(13.0, 0, "pass"), (11.99, 0, "pass"), (11.95, 1, "fail"), (11.0, 1, "fail")],
)
def test_worse_than_accepted_fails_beyond_the_noise(folder, gap, code, verdict):
    """Flat faces have no chord error: the interval is the value, and nothing is undecided."""
    project(folder, 12.0, more=BASELINE)
    accept(folder)
    project(folder, gap, more=BASELINE)
    assert answers(check(folder, code)) == {GAP: verdict}


def test_a_change_inside_the_uncertainty_is_undecided(folder):
    declared = PROJECT.replace('role = "housing"', 'role = "housing"\nsagitta = 0.5')

    def declare(gap):
        project(folder, gap)
        (folder / "project.toml").write_text(declared.format(file="housing.stl") + BASELINE)

    declare(12.0)
    accept(folder)
    declare(11.8)
    assert answers(check(folder, 4)) == {GAP: "undecided"}


def test_a_gap_that_nothing_measures_any_more_fails_until_it_is_pruned(folder):
    """A part left out of the project file must not pass unseen."""
    project(folder, 12.0, more=BASELINE)
    accept(folder)
    file = folder / "accepted" / "baseline.json"
    data = json.loads(file.read_text())
    data["entries"].append({**data["entries"][0], "subject": "housing / roof", "part": "roof"})
    file.write_text(json.dumps(data))
    assert answers(check(folder, 1)) == {
        GAP: "pass",
        "fit-gap housing / roof, gap, obsolete": "fail",
    }
    assert "taken out: hatch, fit-gap housing / roof" in call("prune", folder / "project.toml")
    assert answers(check(folder, 0)) == {GAP: "pass"}
    assert "nothing to take out" in call("prune", folder / "project.toml")


def test_a_vehicle_that_is_gone_fails_until_it_is_pruned(folder):
    """Nothing is asked of it any more, so that nothing else would tell."""
    project(folder, 12.0, more=BASELINE)
    accept(folder)
    file = folder / "accepted" / "baseline.json"
    data = json.loads(file.read_text())
    data["entries"].append({**data["entries"][0], "vehicle": "estate"})
    file.write_text(json.dumps(data))
    assert answers(check(folder, 1)) == {GAP: "pass", 'vehicle "estate", obsolete': "fail"}
    assert "taken out: estate, fit-gap" in call("prune", folder / "project.toml")
    assert answers(check(folder, 0)) == {GAP: "pass"}


def test_a_value_that_is_told_only_where_something_is_wrong_is_a_remark_once_it_is_gone(folder):
    project(folder, 12.0, more=BASELINE)
    accept(folder)
    file = folder / "accepted" / "baseline.json"
    data = json.loads(file.read_text())
    worse = {"subject": "housing / roof", "name": "depth of cut"}
    data["entries"].append({**data["entries"][0], **worse})
    file.write_text(json.dumps(data))
    gone = "fit-gap housing / roof, depth of cut, obsolete"
    assert answers(check(folder, 0)) == {GAP: "pass", gone: "not applicable"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "not JSON"),
        ("[]", "no baseline"),
        ('{"format": "geomcheck baseline", "version": 9}', "layout 9"),
        ('{"format": "geomcheck baseline", "version": 1}', "damaged"),
        ('{"format": "geomcheck baseline", "version": 1, "entries": [1]}', "damaged"),
        ("[" * 100_000, "not JSON"),
    ],
)
def test_a_damaged_baseline_is_refused(folder, text, said):
    project(folder, 12.0, more=BASELINE)
    (folder / "accepted").mkdir()
    (folder / "accepted" / "baseline.json").write_text(text)
    assert said in call("check", folder / "project.toml", "--only", "fit-gap", code="refused")


def test_without_a_baseline_there_is_nothing_to_accept_into(folder):
    assert "names no baseline" in call("accept", folder / "project.toml", code="refused")
