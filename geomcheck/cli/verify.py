"""``geomcheck verify``: re-check the witnesses of a result by a second route."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from geomcheck.cli.targets import guard

CODES = (
    "Exit code: 0 all is confirmed; 1 something is contradicted; 2 an input cannot be used; "
    "3 nothing to re-check; 4 nothing is contradicted, but something was not re-checked."
)


@click.command(epilog=CODES)
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "--project", type=click.Path(path_type=Path), required=True, help="The project file it is of."
)
@click.option("--json", "json_file", metavar="FILE", help="Write JSON; - for standard output.")
@click.option("--all", "show_all", is_flag=True, help="Show every claim, confirmed ones too.")
def verify(result: Path, project: Path, json_file: str | None, show_all: bool) -> None:
    """Re-check RESULT, JSON of 'geomcheck check', by an independent, slow and simple route.

    Files are read, placed, measured and cut anew, over all triangles. What this route cannot
    answer is listed as not re-checked and never counts as confirmed.
    """
    from geomcheck import outputs, session
    from geomcheck.verify import recheck
    from geomcheck.verify.show import rechecks_text, show_rechecks

    guard([result, project], [json_file])
    with session.progress() as tell:
        report = recheck(result, project, tell)
    if json_file is not None:
        outputs.write_or_print(rechecks_text(report), json_file)
    if json_file != "-":
        show_rechecks(report, sys.stdout, show_all=show_all)
        if json_file is not None:
            click.echo(f"wrote {json_file}")
    sys.exit(report.exit_code)
