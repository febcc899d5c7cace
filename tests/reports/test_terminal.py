"""The report at a terminal: plain when piped, wrapped and coloured for a person."""

import io
import re
from dataclasses import replace

import pytest

from geomcheck.finding import Quantity
from geomcheck.reports.terminal import report_lines, show

#: Set a foreground or background colour (ECMA-48, SGR 30-37, 40-47, 90-97).
COLOUR = re.compile(r"\x1b\[(\d+;)*(3[0-8]|4[0-8]|9[0-7])(;\d+)*m")


class Screen(io.StringIO):
    """A stream that says it is a terminal."""

    encoding = "utf-8"

    def isatty(self):
        return True


class Old(io.StringIO):
    encoding = "ascii"


def test_piped_output_is_plain_and_never_cropped(result):
    stream = io.StringIO()
    show(result, stream)
    text = stream.getvalue()
    assert "\x1b" not in text
    assert "Lower the boss by 4.02 mm." in text
    assert "asked in project.toml, line 12" in text
    assert text.rstrip().endswith("cannot be used.")


def test_what_needs_doing_comes_first(result):
    text = "\n".join(line.text for line in report_lines(result))
    assert text.index("housing / clip") < text.index("housing / bonnet") < text.index("/ line")


def test_verdicts_are_words_as_well_as_signs(result):
    text = "\n".join(line.text for line in report_lines(result))
    for word in ("error", "fail", "undecided", "waived", "pass", "not applicable"):
        assert word in text


def test_passes_are_brief_unless_asked_for(result):
    def count(**options):
        text = "\n".join(line.text for line in report_lines(result, **options))
        return text.count("Lower the boss")

    assert count() == 3
    assert count(show_all=True) == len(result.findings)


def test_an_ascii_terminal_gets_ascii_signs(result):
    stream = Old()
    show(result, stream)
    signs = [line.strip()[0] for line in stream.getvalue().splitlines() if "fit-gap" in line]
    assert signs == ["!", "X", "?", "~", "-", "="]


def test_colour_on_a_terminal_and_none_with_no_color(result, monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    coloured = Screen()
    show(result, coloured)
    assert COLOUR.search(coloured.getvalue())
    monkeypatch.setenv("NO_COLOR", "1")
    plain = Screen()
    show(result, plain)
    assert not COLOUR.search(plain.getvalue())


def test_control_characters_in_names_do_not_reach_the_terminal(result):
    stream = io.StringIO()
    show(result, stream)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", stream.getvalue())


def test_long_lines_are_wrapped_on_a_terminal(result, monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("NO_COLOR", "1")
    stream = Screen()
    show(result, stream)
    clean = stream.getvalue().replace("\x1b[1m", "").replace("\x1b[0m", "")
    assert max(len(line) for line in clean.splitlines() if "\x1b" not in line) <= 60


@pytest.mark.parametrize("term", ["dumb"])
def test_a_dumb_terminal_gets_plain_lines(result, monkeypatch, term):
    monkeypatch.setenv("TERM", term)
    stream = Screen()
    show(result, stream)
    assert "\x1b" not in stream.getvalue()


def test_the_pass_nearest_to_its_limit_is_named(result):
    far = replace(
        result.findings[4],
        subject="housing / far",
        quantity=Quantity("gap", 90.0, "mm", 89.0, 91.0),
    )
    near = replace(far, subject="housing / near", quantity=Quantity("gap", 11.0, "mm", 10.5, 11.0))
    text = "\n".join(
        line.text for line in report_lines(replace(result, findings=(far, near), vehicles=("van",)))
    )
    assert (
        "2 questions; nearest to its limit: housing / near, gap 11.00 mm (10.50 .. 11.00)" in text
    )
    assert "housing / far" not in text
