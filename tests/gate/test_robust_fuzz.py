"""Damaged project files, results and baselines, a few of each; ``scripts/fuzz.py`` feeds more.

What is taken in is taken in whole, and what passes the gate has answered every question it asks.
"""

import collections
import copy
import datetime
import importlib
import json
import random
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError

SCRIPTS = str(Path(__file__).resolve().parents[2] / "scripts")
sys.path.insert(0, SCRIPTS)
try:
    gated, mutate, projects, rechecked, results = (
        importlib.import_module(f"fuzzing.{name}")
        for name in ("gated", "mutate", "projects", "rechecked", "results")
    )
finally:
    sys.path.remove(SCRIPTS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


def judged(folder, suffix, content, judge):
    file = folder / f"input{suffix}"
    file.write_bytes(content)
    return judge(file, content)


def outcomes(folder, make, judge, count):
    found = collections.Counter()
    for number in range(count):
        suffix, content = make(random.Random(f"test/{number}"))
        found[judged(folder, suffix, content, judge)] += 1
    return found


def test_the_undamaged_project_is_taken_in(folder):
    content = projects.TEXT.encode()
    assert judged(folder, ".toml", content, projects.judge) == "taken in, the same tables"
    again = mutate.to_toml(tomllib.loads(projects.TEXT)).encode()
    assert judged(folder, ".toml", again, projects.judge) == "taken in, the same tables"


def test_damaged_text(folder):
    found = outcomes(folder, projects.make_text, projects.judge, 300)
    assert found["refused"] > 200
    assert found["taken in whole"] > 0


EDIT = st.tuples(
    st.integers(0, 10**6), st.sampled_from(mutate.KINDS), st.sampled_from(mutate.VALUES),
    st.integers(0, 10**6),
)  # fmt: skip


def edited(data, edits):
    changed = copy.deepcopy(data)
    for place, kind, value, other in edits:
        known = mutate.places(changed)
        if known:
            at, there = known[place % len(known)], known[other % len(known)]
            mutate.edit(changed, at, kind, value, there)
    return changed


@settings(derandomize=True, deadline=None, max_examples=300)
@given(edits=st.lists(EDIT, min_size=1, max_size=3))
def test_changed_tables(folder, edits):
    content = mutate.to_toml(edited(tomllib.loads(projects.TEXT), edits))
    judged(folder, ".toml", content.encode("utf-8", "replace"), projects.judge)


@pytest.mark.parametrize(
    "place",
    [p for p in mutate.places(tomllib.loads(projects.TEXT)) if isinstance(p[-1], str)],
    ids=lambda p: ".".join(map(str, p)),
)
def test_a_misspelt_key_is_never_passed_over(folder, place):
    """Every key there is, each with a letter too many."""
    data = tomllib.loads(projects.TEXT)
    holder = data
    for step in place[:-1]:
        holder = holder[step]
    holder[f"{place[-1]}x"] = holder.pop(place[-1])
    said = judged(folder, ".toml", mutate.to_toml(data).encode(), projects.judge)
    # Keys of these tables are names of the user's: classes, units, parts.
    free = ("required", "noise", "shape")
    assert said == "refused" or any(step in free for step in place[:-1])


NOT_NUMBERS = [True, False, "10", "nan", float("nan"), float("inf"), -float("inf"), 10**400]


@pytest.mark.parametrize("value", NOT_NUMBERS, ids=lambda v: str(v)[:8])
def test_only_numbers_are_taken_for_numbers(folder, value):
    """Every number there is, replaced."""
    whole = tomllib.loads(projects.TEXT)
    for place in mutate.places(whole):
        data = copy.deepcopy(whole)
        holder = data
        for step in place[:-1]:
            holder = holder[step]
        if type(holder[place[-1]]) not in (int, float):
            continue
        holder[place[-1]] = value
        assert judged(folder, ".toml", mutate.to_toml(data).encode(), projects.judge) == "refused"


@pytest.mark.parametrize("day", [1893456000, 1893456000.0, '"1893456000"', "true", "12:00:00"])
def test_a_day_is_a_day(folder, day):
    text = projects.TEXT.replace("2030-12-31", str(day))
    assert text != projects.TEXT
    assert judged(folder, ".toml", text.encode(), projects.judge) == "refused"


WORDS = [
    ("gap = false", "gap = 0"),  # not "a gap of 0 mm": it would switch the question off
    ("gap = false", 'gap = "no"'),
    ('"1.5d"', '"10"'),  # mm or diameters?
    ('"never"', '"3"'),
]


@pytest.mark.parametrize(("old", "new"), WORDS)
def test_what_could_mean_two_things_is_refused(folder, old, new):
    text = projects.TEXT.replace(old, new)
    assert text != projects.TEXT
    assert judged(folder, ".toml", text.encode(), projects.judge) == "refused"


def test_the_judge_notices_a_key_passed_over():
    given_tables = {"part": [{"name": "a", "sized": 1}]}
    with pytest.raises(AssertionError, match="sized"):
        projects.compare(given_tables, {"part": ({"name": "a"},)}, "")


@pytest.mark.parametrize("what", ["result", "baseline"])
def test_damaged_results(folder, what):
    make, judge = getattr(results, f"make_{what}"), getattr(results, f"judge_{what}")
    found = outcomes(folder, make, judge, 300)
    assert found["refused"] > 200
    assert found["read whole"] > 0


def test_a_result_that_lost_a_finding_is_refused(folder):
    suffix, content = ".json", json.loads(results.to_json(results.RESULT))
    assert judged(folder, suffix, json.dumps(content).encode(), results.judge_result) == (
        "read, as it was"
    )
    for position in range(len(content["findings"])):
        lost = copy.deepcopy(content)
        del lost["findings"][position]
        said = judged(folder, suffix, json.dumps(lost).encode(), results.judge_result)
        assert said == "refused"
    better = copy.deepcopy(content)
    better["findings"][0]["verdict"] = "pass"
    assert judged(folder, suffix, json.dumps(better).encode(), results.judge_result) == "refused"


def test_damaged_projects_at_the_gate(folder, monkeypatch):
    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    assert judged(folder, ".toml", gated.PLAIN, gated.judge) == "passed, all answered"
    found = outcomes(folder, gated.make, gated.judge, 60)
    assert found["refused"] > 20
    assert found["passed, all answered"] > 0


def test_the_judge_notices_a_question_not_answered(folder, monkeypatch):
    from dataclasses import replace

    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    ask = gated.session.run

    def lossy(*arguments, **more):
        run = ask(*arguments, **more)
        kept = [f for f in run.result.findings if "tray" not in f.subject]
        return replace(run, result=replace(run.result, findings=tuple(kept)))

    monkeypatch.setattr(gated.session, "run", lossy)
    with pytest.raises(AssertionError, match="says nothing of tray"):
        judged(folder, ".toml", gated.PLAIN, gated.judge)


def test_a_waiver_that_ran_out_does_not_pass(folder, monkeypatch):
    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    monkeypatch.setattr(gated, "TODAY", datetime.date(2031, 1, 1))
    assert judged(folder, ".toml", gated.PLAIN, gated.judge) == "exit code 1"


@pytest.mark.parametrize(
    ("part", "key", "value", "said"),
    [
        (0, "on_surface", [[1e300, 0, 0], [0, 5, 0], [0, 0, 5]], "is it in mm"),
        (0, "size", [60, 60, 1e308], "is it in mm"),
        (0, "file", "x" * 5000, "at most 1000"),
    ],
)
def test_what_no_part_can_have_is_refused_before_it_is_measured(folder, part, key, value, said):
    """Squares of such lengths run over; such names fill a screen."""
    data = tomllib.loads(gated.TEXT)
    data["part"][part][key] = value
    file = folder / "input.toml"
    file.write_text(mutate.to_toml(data), encoding="utf-8")
    with pytest.raises(InputError, match=said) as told:
        projects.load(file)
    assert len(told.value.text) < 1500


def test_damaged_results_put_to_the_second_route(folder):
    """Refused, contradicted or left open; a falsified figure is never confirmed."""
    found = outcomes(folder, rechecked.make, rechecked.judge, 50)
    assert found["refused"] > 10
    assert found["falsified, contradicted"] > 5
