"""``geomcheck compare``: what changed from one revision to another."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from geomcheck.cli.targets import guard

_COMPARE_CODES = """\b
Exit codes:
  0  nothing newly fails
  1  something fails that did not, or fails by more
  2  an input is wrong
  4  something is undecided that was decided
"""


@click.command(epilog=_COMPARE_CODES)
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--html", type=click.Path(path_type=Path), help="Write one page with area curves.")
@click.option("--json", "json_file", metavar="FILE", help="Write JSON; - for standard output.")
@click.option("--worse-fails", is_flag=True, help="Exit 1 for what got worse but still passes.")
@click.option("--all", "show_all", is_flag=True, help="Show what did not change, too.")
def compare(
    old: Path,
    new: Path,
    html: Path | None,
    json_file: str | None,
    worse_fails: bool,
    show_all: bool,
) -> None:
    """Tell what changed from OLD to NEW: two project files, or two results of check --json."""
    from geomcheck import session
    from geomcheck.compare.changes import compare as lay_side_by_side
    from geomcheck.reports.changes import show_comparison
    from geomcheck.reports.changes_page import comparison_json, write_comparison

    guard([old, new], [html, json_file])
    with session.progress() as tell:
        comparison = lay_side_by_side(session.result_of(old, tell), session.result_of(new, tell))
    code = comparison.exit_code(worse_fails=worse_fails)
    if json_file is not None:
        session.write_or_print(comparison_json(comparison, code), json_file)
    if html is not None:
        write_comparison(comparison, html, code)
    if json_file != "-":
        show_comparison(comparison, sys.stdout, show_all=show_all)
        for path in (html, json_file):
            if path is not None:
                click.echo(f"wrote {path}")
    sys.exit(code)
