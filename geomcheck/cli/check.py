"""``geomcheck check``: answer every question of a project file."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path

import click

from geomcheck.cli.codes import EXIT_CODES
from geomcheck.cli.targets import guard
from geomcheck.finding import FailLevel


@click.command(epilog=EXIT_CODES)
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--vehicle", "vehicles", multiple=True, help="Only this vehicle (repeatable).")
@click.option("--only", multiple=True, metavar="CODE", help="Only this check (repeatable).")
@click.option("--html", type=click.Path(path_type=Path), help="Write one page with pictures.")
@click.option("--json", "json_file", metavar="FILE", help="Write JSON; - for standard output.")
@click.option("--junit", type=click.Path(path_type=Path), help="Write JUnit XML.")
@click.option("--sarif", type=click.Path(path_type=Path), help="Write SARIF 2.1.0.")
@click.option(
    "--markdown", type=click.Path(path_type=Path), help="Write a summary for a CI job or a review."
)
@click.option(
    "--annotate", is_flag=True, help="Print workflow commands that mark the project file's lines."
)
@click.option(
    "--drawings",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write section outlines (DXF, CSV) and area curves (CSV) of the ducts.",
)
@click.option(
    "--changed-since",
    metavar="REV",
    help="Only vehicles of which a file is not as it was in this Git revision.",
)
@click.option(
    "--fail-level",
    type=click.Choice(["undecided", "waived", "remark"]),
    default="undecided",
    show_default=True,
    help="What fails the run, with all that is worse: waived findings too, or remarks as well.",
)
@click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day on which waivers must hold; default: the system's.",
)
@click.option(
    "--cache",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Keep answers here, and recall those of which nothing changed; default: GEOMCHECK_CACHE, "
    "or the user's cache folder.",
)
@click.option(
    "--workers",
    type=click.IntRange(1),
    metavar="N",
    help="Check N vehicles at once, on Dask (pip install 'geomcheck[workers]').",
)
@click.option("--no-cache", is_flag=True, help="Answer everything anew, and keep nothing.")
@click.option("--no-pictures", is_flag=True, help="Leave the pictures out of the page.")
@click.option("--all", "show_all", is_flag=True, help="Show every finding in full, passes too.")
def check(
    project: Path,
    vehicles: tuple[str, ...],
    only: tuple[str, ...],
    html: Path | None,
    json_file: str | None,
    junit: Path | None,
    sarif: Path | None,
    markdown: Path | None,
    annotate: bool,
    drawings: Path | None,
    changed_since: str | None,
    fail_level: FailLevel,
    today: datetime.datetime | None,
    cache: Path | None,
    workers: int | None,
    no_cache: bool,
    no_pictures: bool,
    show_all: bool,
) -> None:
    """Answer every question the project file PROJECT asks."""
    from geomcheck import outputs as writing
    from geomcheck import session
    from geomcheck.store import open_store

    if annotate and json_file == "-":
        raise click.UsageError("--annotate and --json - both want standard output: give one a file")
    if no_cache and cache is not None:
        raise click.UsageError("--cache and --no-cache together make no sense: give one")
    guard([project], [html, json_file, junit, sarif, markdown])
    outputs = writing.Outputs(html, json_file, junit, sarif, markdown, not no_pictures)
    with session.progress() as tell:
        with writing.told_in(outputs, project, fail_level, tell):
            run = session.run(
                project,
                tell,
                vehicles=vehicles,
                only=only,
                changed_since=changed_since,
                fail_level=fail_level,
                today=today.date() if today else None,
                store=None if no_cache else open_store(cache),
                workers=workers or 0,
            )
        writing.write_files(run, project, outputs, tell)
        drawn = writing.draw(run, drawings, tell)
    if json_file != "-":
        from geomcheck.reports.terminal import show

        show(run.result, sys.stdout, show_all=show_all)
        for note in run.notes:
            click.echo(note)
        if annotate:
            from geomcheck.reports.workflow import workflow_commands

            for line in workflow_commands(run.result, path=writing.as_given(project)):
                click.echo(line)
        for path in outputs.files:
            click.echo(f"wrote {path}")
        for line in drawn:
            click.echo(line)
    sys.exit(run.result.exit_code)
