"""Workflow commands and the Markdown summary: order, escaping, what is counted."""

import html
import re
from dataclasses import replace

from geomcheck.finding import Verdict
from geomcheck.reports.markdown import to_markdown
from geomcheck.reports.matrix import matrix
from geomcheck.reports.workflow import workflow_commands


def test_commands_come_worst_first_and_only_for_what_is_open_or_waived(result):
    lines = list(workflow_commands(result, path="parts/project.toml"))
    heads = [re.match(r"::(\w+) file=parts/project.toml,line=12,title=(\w+)", x) for x in lines]
    # an undecided question is an error: it counts as not passed
    assert [h.groups() for h in heads] == [
        ("error", "error"),
        ("error", "fail"),
        ("error", "undecided"),
        ("notice", "waived"),
    ]
    assert "Caution: Keep clear of hot parts." in lines[1]


def test_nothing_in_a_name_can_begin_a_command_of_its_own(result):
    nasty = "x\n::error::planted\r%0A, y:z"
    bad = replace(result.findings[1], subject=nasty, message=nasty, vehicle=nasty)
    (line,) = workflow_commands(replace(result, findings=(bad,)))
    assert "\n" not in line
    assert "\r" not in line
    properties, _, text = line[2:].partition("::")
    assert properties.count(",") == 2
    assert "%3A%3Aerror%3A%3Aplanted" in properties
    # undone in the order the format states, the text is what it was
    undone = text.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")
    assert undone.startswith(f"{nasty}: {nasty}")


def test_the_summary_tells_the_worst_and_counts_the_rest(result):
    text = to_markdown(result, most=2)
    assert f"**Exit code {result.exit_code}:" in text
    assert "And 1 more finding that did not pass." in text
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert len(rows) == 3 + 3  # the matrix with its head, and two findings with theirs
    assert "error" in rows[4]
    assert "fail" in rows[5]


def test_a_summary_too_large_for_a_server_is_cut_with_a_word(result):
    long = "\u00e4" * 1500
    many = [replace(result.findings[1], subject=f"{long} {k}", message=long) for k in range(400)]
    large = replace(result, findings=tuple(many))
    text = to_markdown(large, most=400)
    assert 1_000_000 < len(text.encode()) <= 1_048_576  # bytes, not signs
    last = text.splitlines()[-1]
    assert re.fullmatch(
        r"\*\*Cut here: \d+ lines left out, as a CI server takes no more than 1 MiB\. "
        r"The JSON result has all 400 findings\.\*\*",
        last,
    )
    assert all(row.endswith(" |") for row in text.splitlines() if row.startswith("| "))
    assert "Cut here" not in to_markdown(result)
    # One name alone cannot fill it.
    named = replace(result, project="x" * 3_000_000)
    assert "(cut)" in to_markdown(named) and "Exit code" in to_markdown(named)


def test_more_than_a_server_marks_are_counted_first(result):
    many = [replace(result.findings[1], subject=str(k)) for k in range(11)]
    lines = list(workflow_commands(replace(result, findings=tuple(many)), path="p.toml"))
    assert len(lines) == 12
    assert lines[0].startswith("::error file=p.toml,title=geomcheck::11 questions did not pass")
    assert "(hatch 11)" in lines[0]
    assert len(list(workflow_commands(replace(result, findings=tuple(many[:10]))))) == 10


def test_signs_a_terminal_acts_on_do_not_reach_the_log(result):
    bad = replace(result.findings[1], message="\x1b[2J\x07 gap", subject="a\x9bb")
    (line,) = workflow_commands(replace(result, findings=(bad,)))
    assert line.isprintable()


def test_marks_that_begin_a_list_or_a_heading_stay_text(result):
    for name in ("- a", "+ a", "1. a", "2) a", "=== a", "# a", "> a"):
        text = to_markdown(replace(result, findings=(replace(result.findings[1], caution=name),)))
        (quoted,) = [line for line in text.splitlines() if line.startswith("> ")]
        assert re.match(r"> \d*\\", quoted), quoted
        assert quoted.replace("\\", "") == f"> {name}"


def test_a_name_cannot_break_the_table_or_bring_marks(result):
    text = to_markdown(result)
    for row in [line for line in text.splitlines() if line.startswith("| ")]:
        assert len(re.findall(r"(?<!\\)\|", row)) in (3, 7)
        assert not re.search(r"(?<!\\)<(?!br>)", row)
    shown = html.unescape(re.sub(r"\\(.)", r"\1", text))
    assert "a <b> & \"c\" 'd' ]]>" in shown


def test_the_matrix_puts_the_worst_vehicle_first_and_counts_what_is_open(result):
    laid = matrix(replace(result, vehicles=("van", "hatch")))
    assert [row.vehicle for row in laid.rows] == ["hatch", "van"]
    assert laid.rooms == ("fit",)
    cell = laid.rows[0].cells[0]
    assert (cell.worst, cell.open, cell.asked) == (Verdict.ERROR, 3, 4)
    assert laid.rows[1].cells[0].worst is Verdict.PASS
