"""The command line: arguments, progress, reports, exit code.

Imports are inside the commands: ``geomcheck --help`` must not pay for meshes and compilers.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from geomcheck.errors import GeomcheckError, InputError
from geomcheck.version import __version__

_EXIT_CODES = """\b
Exit codes:
  0  every question was decided and passed (or validly waived)
  1  something failed
  2  the project file or another input is wrong
  3  nothing was checked
  4  something could not be decided
"""

_COMPARE_CODES = """\b
Exit codes:
  0  nothing newly fails
  1  something fails that did not, or fails by more
  2  an input is wrong
  4  something is undecided that was decided
"""


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, epilog=_EXIT_CODES)
@click.version_option(__version__, prog_name="geomcheck")
def cli() -> None:
    """Check a casting against every vehicle it must fit, from the STL files.

    Does it fit (gaps and overlaps), does it breathe (duct areas), can it be put on (tool
    access): answered in numbers before anything is printed or tooled.
    """


@cli.command(epilog=_EXIT_CODES)
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


@cli.command()
@click.argument("code", required=False)
def explain(code: str | None) -> None:
    """Tell what a check asks, why, and what to do about a finding; without CODE, list them."""
    from geomcheck import gate

    found = gate.discover()
    if code is None:
        width = max(len(name) for name in found)
        for name, module in found.items():
            click.echo(f"{name:<{width}}  {module.TITLE}")
        return
    if code not in found:
        raise InputError(f"there is no check {code!r}", remedy=f"known checks: {', '.join(found)}")
    click.echo(f"{code}: {found[code].TITLE}\n")
    click.echo(gate.explanations()[code])


@cli.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--unit", type=click.Choice(["mm", "cm", "m", "in"]), help="Unit of the file.")
def look(file: Path, unit: str | None) -> None:
    """Tell what a mesh FILE is: size, class, defects, and whether its unit looks wrong.

    Exit code 0 if the file could be read, 2 if not.
    """
    from geomcheck.mesh.look import look as look_at
    from geomcheck.project.entries import MILLIMETRES

    for line in look_at(file, MILLIMETRES[unit] if unit else None).lines():
        click.echo(line)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--output", "-o", type=click.Path(path_type=Path), help="Default: project.toml.")
@click.option("--force", is_flag=True, help="Overwrite an existing project file.")
def new(folder: Path, output: Path | None, force: bool) -> None:
    """Write a commented project file for the meshes in FOLDER.

    What the meshes cannot tell (unit, classes, requirements) is left as "?" for you to fill in;
    'geomcheck check' refuses the file until it is.
    """
    from geomcheck.project.new import write_project

    path = write_project(folder, output, force=force)
    click.echo(f"wrote {path}")
    click.echo(f'fill in every "?", then run: geomcheck check {path}')


@cli.command(epilog=_COMPARE_CODES)
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


def main() -> None:
    """Entry point; turns every error into one message and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign gets a question mark, not a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        cli.main(standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        click.echo("geomcheck: stopped", err=True)
        sys.exit(130)
    except GeomcheckError as error:
        click.echo(f"geomcheck: {error.text}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        # The reader of our output went away, as 'head' does; the verdict is then unknown to it.
        sys.stderr.close()
        sys.exit(2)
    except MemoryError:
        click.echo("geomcheck: out of memory; check fewer vehicles at once", err=True)
        sys.exit(2)
    except Exception as error:
        if os.environ.get("GEOMCHECK_TRACEBACK"):
            raise
        click.echo(
            f"geomcheck: internal fault: {type(error).__name__}: {error}. This is a defect of "
            "geomcheck, not of your parts; set GEOMCHECK_TRACEBACK=1 to see where.",
            err=True,
        )
        sys.exit(2)


if __name__ == "__main__":
    main()
