"""``geomcheck check``: answer every question of a project file."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from geomcheck.cli.codes import EXIT_CODES


@click.command(epilog=EXIT_CODES)
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--vehicle", "vehicles", multiple=True, help="Only this vehicle (repeatable).")
@click.option("--only", multiple=True, metavar="CODE", help="Only this check (repeatable).")
@click.option("--html", type=click.Path(path_type=Path), help="Write one page with pictures.")
@click.option("--json", "json_file", metavar="FILE", help="Write JSON; - for standard output.")
@click.option("--junit", type=click.Path(path_type=Path), help="Write JUnit XML.")
@click.option(
    "--drawings",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write section outlines (DXF, CSV) and area curves (CSV) of the ducts.",
)
@click.option("--no-pictures", is_flag=True, help="Leave the pictures out of the page.")
@click.option("--all", "show_all", is_flag=True, help="Show every finding in full, passes too.")
def check(
    project: Path,
    vehicles: tuple[str, ...],
    only: tuple[str, ...],
    html: Path | None,
    json_file: str | None,
    junit: Path | None,
    drawings: Path | None,
    no_pictures: bool,
    show_all: bool,
) -> None:
    """Answer every question the project file PROJECT asks."""
    from geomcheck import session

    with session.progress() as tell:
        run = session.run(project, tell, vehicles=vehicles, only=only)
        session.write_files(run, html, json_file, junit, not no_pictures, tell)
        drawn = session.draw(run, drawings, tell)
    if json_file != "-":
        from geomcheck.reports.terminal import show

        show(run.result, sys.stdout, show_all=show_all)
        for path in (html, json_file, junit):
            if path is not None:
                click.echo(f"wrote {path}")
        for line in drawn:
            click.echo(line)
    sys.exit(run.result.exit_code)
