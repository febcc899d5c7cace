"""JUnit XML: against a published schema, and read back by the junitparser package."""

from dataclasses import replace
from pathlib import Path

import junitparser
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from geomcheck.finding import EntryRef, Finding, Result, Verdict
from geomcheck.reports.junit import to_junit

# Schema of the xUnit plugin of a common CI server; source and licence in schemas/README.md.
SCHEMA = etree.XMLSchema(etree.parse(Path(__file__).parent / "schemas" / "junit-10.xsd"))


def assert_valid(text):
    SCHEMA.assertValid(etree.fromstring(text.encode("utf-8")))


def test_every_verdict_meets_the_published_schema(result):
    assert {finding.verdict for finding in result.findings} == set(Verdict)
    assert_valid(to_junit(result))


def test_the_schema_refuses_what_it_does_not_know(result):
    """The schema is in force: a place on a case is an attribute it does not have."""
    text = to_junit(result).replace("<testcase ", '<testcase line="3" ', 1)
    with pytest.raises(etree.DocumentInvalid, match="line"):
        assert_valid(text)


def test_nothing_asked_meets_it_too(result):
    for vehicles in (("hatch", "van"), ()):
        text = to_junit(replace(result, findings=(), vehicles=vehicles))
        assert_valid(text)
        read = junitparser.JUnitXml.fromstring(text.encode("utf-8"))
        assert [suite.tests for suite in read] == [0] * len(vehicles)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(st.tuples(st.sampled_from(list(Verdict)), st.text(), st.text()), max_size=6))
def test_any_words_meet_it_and_are_read_back(given_words):
    findings = tuple(
        Finding("fit-gap", verdict, "van", name, (), text, text, entry=EntryRef(name, None, text))
        for verdict, name, text in given_words
    )
    text = to_junit(Result("p", "p.toml", "0", ("van",), {}, findings))
    assert_valid(text)
    (suite,) = junitparser.JUnitXml.fromstring(text.encode("utf-8"))
    cases = list(suite)
    assert len(cases) == len(findings)
    assert len({(case.classname, case.name) for case in cases}) == len(cases)
    passed = [finding.verdict is Verdict.PASS for finding in findings]
    assert [case.is_passed for case in cases] == passed


def test_the_entry_that_asked_stands_in_the_text(read):
    case = list(next(iter(read)))[1]
    assert 'Asked in project.toml, line 12: vehicle "hatch"' in case.result[0].text


def test_two_answers_to_one_question_are_two_cases(result):
    one = result.findings[-1]
    twice = [replace(one, subject=name) for name in ("duct", "duct (2)", "duct", "duct")]
    text = to_junit(replace(result, findings=tuple(twice)))
    (_, van) = junitparser.JUnitXml.fromstring(text.encode("utf-8"))
    assert [case.name for case in van] == ["duct", "duct (2)", "duct (3)", "duct (4)"]


@pytest.fixture
def read(result, tmp_path):
    file = tmp_path / "junit.xml"
    file.write_text(to_junit(result), encoding="utf-8")
    return junitparser.JUnitXml.fromfile(str(file))


def test_one_suite_per_vehicle(read):
    assert [suite.name for suite in read] == ["hatch", "van"]


def test_counts_agree_with_the_cases(read):
    for suite in read:
        stated = (suite.tests, suite.failures, suite.errors, suite.skipped)
        suite.update_statistics()
        assert stated == (suite.tests, suite.failures, suite.errors, suite.skipped)


def test_neither_undecided_nor_error_can_be_taken_for_a_pass(read):
    hatch, van = list(read)
    assert (hatch.failures, hatch.errors, hatch.skipped) == (1, 2, 1)
    assert (van.failures, van.errors, van.skipped) == (0, 0, 1)
    assert [case.is_passed for case in hatch] == [False] * 4
    assert [case.is_passed for case in van] == [True, False]


def test_text_says_what_to_do(read):
    case = list(next(iter(read)))[1]
    assert "Lower the boss" in case.result[0].text
    assert "Keep clear" in case.result[0].text


def test_nasty_names_are_kept_but_for_characters_xml_cannot_hold(read):
    names = [case.name for suite in read for case in suite]
    assert any('<b> & "c"' in name and "]]>" in name and "\x07" not in name for name in names)
