"""The reports that a command was asked for, and what it writes."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from geomcheck.errors import GeomcheckError
from geomcheck.finding import FailLevel
from geomcheck.reports.files import write_text
from geomcheck.runs import Progress, Run


@dataclass(frozen=True)
class Outputs:
    """The reports that are asked for, each with its file; ``-`` is standard output for JSON."""

    html: Path | None = None
    json: str | None = None
    junit: Path | None = None
    sarif: Path | None = None
    markdown: Path | None = None
    pictures: bool = True

    @property
    def files(self) -> tuple[Path | str, ...]:
        """What is written, in the order in which it is told."""
        given = (self.html, self.json, self.junit, self.sarif, self.markdown)
        return tuple(file for file in given if file is not None and file != "-")


def write_files(run: Run, project: Path, outputs: Outputs, tell: Progress) -> None:
    """Write the reports that were asked for; ``project`` is the project file as it was given."""
    if outputs.json is not None:
        from geomcheck.reports.json import to_json

        write_or_print(to_json(run.result), outputs.json)
    if outputs.junit is not None:
        from geomcheck.reports.junit import to_junit

        write_text(outputs.junit, to_junit(run.result))
    if outputs.sarif is not None:
        from geomcheck import gate
        from geomcheck.reports.sarif import to_sarif

        texts = gate.explanations()
        titles = {code: (check.TITLE, texts[code]) for code, check in gate.discover().items()}
        write_text(outputs.sarif, to_sarif(run.result, titles, uri=as_given(project)))
    if outputs.markdown is not None:
        from geomcheck.reports.markdown import to_markdown

        write_text(outputs.markdown, to_markdown(run.result))
    if outputs.html is not None:
        from geomcheck import gate
        from geomcheck.reports.html import write_html

        tell("drawing the page", 0, 1)
        write_html(
            run.result,
            run.assemblies,
            outputs.html,
            explanations=gate.explanations(),
            pictures=outputs.pictures,
        )
        tell("drawing the page", 1, 1)


@contextmanager
def told_in(
    outputs: Outputs, project: Path, fail_level: FailLevel, tell: Progress
) -> Iterator[None]:
    """Write a run that ends in an error into the reports asked for, before it goes on as an error.

    Else a report of an earlier run would stay, and be read as this one's.
    """
    try:
        yield
    except GeomcheckError as error:
        from geomcheck import gate

        failed = Run(gate.unread(project, error, fail_level), {})
        # What was wrong is worth more than that a report cannot be written as well.
        with suppress(GeomcheckError):
            write_files(failed, project, outputs, tell)
        raise


def as_given(project: Path) -> str:
    """The project file's path for a CI server: from the folder it runs in, with forward slashes."""
    try:
        return project.resolve().relative_to(Path.cwd().resolve()).as_posix()
    except ValueError:
        return project.name


def write_or_print(text: str, target: str) -> None:
    """Write text to a file, or to standard output where the target is ``-``."""
    if target == "-":
        sys.stdout.write(text)
    else:
        write_text(Path(target), text)


def draw(run: Run, folder: Path | None, tell: Progress) -> list[str]:
    """Write the drawings; lines that tell what was written and what could not be drawn."""
    if folder is None:
        return []
    from geomcheck.reports.drawings import write_drawings

    tell("drawing sections", 0, 1)
    drawn = write_drawings(run.assemblies, folder)
    tell("drawing sections", 1, 1)
    count = len(drawn.files)
    lines = [f"not drawn: {why}" for why in drawn.missing]
    return [*lines, f"wrote {count} files of drawings in {folder}"]
