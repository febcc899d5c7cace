"""JUnit XML, read back by the junitparser package."""

import junitparser
import pytest

from geomcheck.reports.junit import to_junit


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
