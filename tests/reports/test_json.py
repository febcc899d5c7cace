"""JSON against its schema, validated by the jsonschema package (JSON Schema draft 2020-12)."""

import json
from dataclasses import replace

import jsonschema
import pytest

from geomcheck.reports.json import schema, to_data, to_json


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(schema())


def test_output_follows_the_schema(result):
    jsonschema.validate(json.loads(to_json(result)), schema())


def test_the_schema_refuses_a_finding_without_verdict(result):
    data = json.loads(to_json(result))
    del data["findings"][0]["verdict"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, schema())


def test_numbers_are_rounded_and_have_no_negative_zero(result):
    text = to_json(result)
    assert '"third": 0.333333' in text
    assert "-0.0" not in text.replace("-0.02", "")


def test_names_survive(result):
    assert json.loads(to_json(result))["project"] == result.project


def test_nan_is_refused_rather_than_written(result):
    bad = replace(result.findings[0], details={"x": float("nan")})
    with pytest.raises(ValueError, match="JSON"):
        to_json(replace(result, findings=(bad,)))


def test_counts_and_exit_code(result):
    data = to_data(result)
    assert data["exit_code"] == 2
    assert sum(data["counts"].values()) == len(result.findings)
    assert data["counts"]["fail"] == 1


def test_same_result_same_bytes(result):
    assert to_json(result) == to_json(result)
