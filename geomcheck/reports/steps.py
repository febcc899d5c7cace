"""The order of work for the one who does it: terminal, CSV, and pages to print."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TextIO

from geomcheck.finding import Finding, Result, Verdict
from geomcheck.mesh.threads import THREADS
from geomcheck.project.assembly import Assembly
from geomcheck.reports.cards import style_of
from geomcheck.reports.files import write_text
from geomcheck.reports.page import data_address, render
from geomcheck.reports.terminal import Line, write_lines
from geomcheck.reports.words import plural, verdict_symbol, verdict_word

CODE = "fasten-order"
_HEADS = ("vehicle", "step", "do", "names", "tool", "cautions")


def orders(result: Result) -> list[Finding]:
    """The findings on the order of work, in the order of the vehicles."""
    found = [finding for finding in result.findings if finding.code == CODE]
    return sorted(found, key=lambda finding: result.vehicles.index(finding.vehicle))


def steps_text(result: Result) -> str:
    """The steps of every vehicle as CSV; what is in the box follows each vehicle's steps."""
    stream = io.StringIO()
    rows = csv.writer(stream, lineterminator="\n")
    rows.writerow(_HEADS)
    for finding in orders(result):
        for step in finding.details.get("steps", ()):
            names, cautions = ", ".join(step["names"]), " ".join(step["cautions"])
            rows.writerow(
                _plain(finding.vehicle, step["step"], step["text"], names, step["tool"], cautions)
            )
        for row in finding.details.get("box", ()):
            what = f"{row['count']} x {row['what']}"
            rows.writerow(_plain(finding.vehicle, "box", what, row["kind"], "", ""))
    return stream.getvalue()


def _plain(*cells: Any) -> list[str]:
    """Cells that no spreadsheet takes for a formula: names come from users' files."""
    return [f"'{c}" if str(c).startswith(("=", "+", "-", "@")) else str(c) for c in cells]


def show_steps(result: Result, stream: TextIO) -> None:
    """Print the steps of every vehicle."""
    write_lines(_lines(result), stream)


def _lines(result: Result) -> Iterator[Line]:
    found = orders(result)
    if not found:
        yield Line("No order of work was asked for: the project has no [order] table.")
    for finding in found:
        yield Line(f"{finding.vehicle}: {verdict_word(finding.verdict)}")
        yield Line(finding.message, 2)
        if finding.verdict is not Verdict.PASS and finding.remedy:
            yield Line(finding.remedy, 2)
        for step in finding.details.get("steps", ()):
            yield Line(f"{step['step']:>3}. {step['text']}", 2)
            for caution in step["cautions"]:
                yield Line(caution, 7)
        box = finding.details.get("box", ())
        if box:
            yield Line("In the box:", 2)
        for row in box:
            kind = "" if row["kind"] == "other" else f"{row['kind']} "
            yield Line(f"{row['count']:>3} x {kind}{row['what']}", 2)
        yield Line("")


def write_steps(
    result: Result, assemblies: Mapping[str, Assembly], path: Path, *, pictures: bool = True
) -> None:
    """Write the pages to print, one file, whole or not at all.

    Parameters
    ----------
    result : Result
    assemblies : mapping of str to Assembly
        The placed parts of each vehicle, for the pictures.
    path : Path
    pictures : bool

    Raises
    ------
    InputError
        The file cannot be written.
    """
    found = orders(result)
    drawn = {
        finding.vehicle: _pictures(finding, assemblies[finding.vehicle]) if pictures else {}
        for finding in found
    }
    views = [
        {
            "anchor": f"v{number}",
            "finding": finding,
            "style": style_of(finding.verdict),
            "symbol": verdict_symbol(finding.verdict),
            "word": verdict_word(finding.verdict),
            "steps": finding.details.get("steps", ()),
            "box": finding.details.get("box", ()),
            "bench": finding.details.get("on_the_bench", ()),
            "count": plural(len(finding.details.get("steps", ())), "step"),
            "pictures": drawn[finding.vehicle],
        }
        for number, finding in enumerate(found, 1)
    ]
    write_text(path, render("steps.html", result=result, vehicles=views))


def _pictures(finding: Finding, assembly: Assembly) -> dict[int, str]:
    """Pictures of the steps as data addresses, by number."""
    from geomcheck.reports.still.step import step_picture

    steps = list(finding.details.get("steps", ()))
    with ThreadPoolExecutor(THREADS) as pool:
        drawn = list(pool.map(lambda k: step_picture(assembly, steps, k), range(len(steps))))
    return {
        step["step"]: data_address(png, "image/png") for step, png in zip(steps, drawn, strict=True)
    }
