"""``geomcheck steps``: the order of work, to follow or to print."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from geomcheck.cli.codes import EXIT_CODES
from geomcheck.cli.targets import guard


@click.command(epilog=EXIT_CODES)
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--vehicle", "vehicles", multiple=True, help="Only this vehicle (repeatable).")
@click.option("--html", type=click.Path(path_type=Path), help="Write pages to print.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write a table; - for standard output.")
@click.option("--no-pictures", is_flag=True, help="Leave the pictures out of the pages.")
def steps(
    project: Path,
    vehicles: tuple[str, ...],
    html: Path | None,
    csv_file: str | None,
    no_pictures: bool,
) -> None:
    """Tell in which order everything in PROJECT is put on, with which tool, and what is needed.

    Needs an [order] table in the project file.
    """
    from geomcheck import outputs, session
    from geomcheck.reports.steps import show_steps, steps_text, write_steps
    from geomcheck.store import open_store

    guard([project], [html, csv_file])
    with session.progress() as tell:
        run = session.run(
            project,
            tell,
            vehicles=vehicles,
            only=("fasten-order",),
            store=open_store(),
        )
        if html is not None:
            tell("drawing the steps", 0, 1)
            write_steps(run.result, run.assemblies, html, pictures=not no_pictures)
    if csv_file is not None:
        outputs.write_or_print(steps_text(run.result), csv_file)
    if csv_file != "-":
        show_steps(run.result, sys.stdout)
        for path in (html, csv_file):
            if path is not None:
                click.echo(f"wrote {path}")
    sys.exit(run.result.exit_code)
