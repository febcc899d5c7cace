"""What the commands share: progress, running a project file, writing reports."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from geomcheck import gate
from geomcheck.ahead import compiled_ahead
from geomcheck.finding import Result
from geomcheck.gate import Progress, Run
from geomcheck.project.load import load
from geomcheck.reports.files import write_text


def run(
    path: Path, tell: Progress, *, vehicles: Iterable[str] = (), only: Iterable[str] = ()
) -> Run:
    """Check a project file; as :func:`geomcheck.gate.run`."""
    project = load(path)
    with compiled_ahead(project):
        return gate.run(project, vehicles=vehicles, only=only, progress=tell)


def result_of(path: Path, tell: Progress) -> Result:
    """The result in a JSON file, or of checking a project file now."""
    from geomcheck.reports.json import read_result

    if path.suffix.lower() == ".json":
        return read_result(path)
    return run(path, tell).result


def write_files(
    run: Run,
    html: Path | None,
    json_file: str | None,
    junit: Path | None,
    pictures: bool,
    tell: Progress,
) -> None:
    """Write the reports that were asked for."""
    if json_file is not None:
        from geomcheck.reports.json import to_json

        write_or_print(to_json(run.result), json_file)
    if junit is not None:
        from geomcheck.reports.junit import to_junit

        write_text(junit, to_junit(run.result))
    if html is not None:
        from geomcheck.reports.html import write_html

        tell("drawing the page", 0, 1)
        write_html(
            run.result,
            run.assemblies,
            html,
            explanations=gate.explanations(),
            pictures=pictures,
        )
        tell("drawing the page", 1, 1)


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


@contextmanager
def progress() -> Iterator[Progress]:
    """A progress bar on standard error if someone is looking at it, else nothing."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield lambda _what, _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=1)
        yield lambda what, done, total: bar.update(
            task, description=what, completed=done, total=max(total, 1)
        )
