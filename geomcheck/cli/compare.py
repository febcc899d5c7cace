"""``geomcheck compare``: what changed from one revision to another."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import click

from geomcheck.cli.targets import guard
from geomcheck.errors import InputError
from geomcheck.store import Store, open_store

if TYPE_CHECKING:
    from geomcheck.compare.shapes import PartChange
    from geomcheck.finding import Result
    from geomcheck.project.assembly import Assembly
    from geomcheck.runs import Progress

_COMPARE_CODES = """\b
Exit codes:
  0  nothing newly fails
  1  something fails that did not, or fails by more
  2  an input is wrong
  4  something is undecided that was decided
"""


@click.command(epilog=_COMPARE_CODES)
@click.argument("old")
@click.argument("new", required=False)
@click.option(
    "--project",
    type=click.Path(path_type=Path),
    help="Take OLD and NEW as Git revisions of this project file.",
)
@click.option("--html", type=click.Path(path_type=Path), help="Write one page, with pictures.")
@click.option("--json", "json_file", metavar="FILE", help="Write JSON; - for standard output.")
@click.option("--worse-fails", is_flag=True, help="Exit 1 for what got worse but still passes.")
@click.option("--all", "show_all", is_flag=True, help="Show what did not change, too.")
@click.option("--no-parts", is_flag=True, help="Leave out how the parts themselves changed.")
@click.option("--no-pictures", is_flag=True, help="Leave the pictures out of the page.")
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    help="Check both sides at once on so many processes (needs Dask).",
)
def compare(
    old: str,
    new: str | None,
    project: Path | None,
    html: Path | None,
    json_file: str | None,
    worse_fails: bool,
    show_all: bool,
    no_parts: bool,
    no_pictures: bool,
    workers: int | None,
) -> None:
    r"""Tell what changed from OLD to NEW.

    OLD and NEW are two project files, or two results of check --json. With --project they are two
    Git revisions of that project file, as in

    \b
        geomcheck compare main HEAD --project housing/project.toml

    and without NEW, OLD is held against the files as they are now. Of results, only the findings
    are compared; of projects and revisions the parts, too: which place moved how far, and what
    material was added and removed.
    """
    from geomcheck import outputs, session
    from geomcheck.compare.changes import compare as lay_side_by_side
    from geomcheck.reports.changes import show_comparison
    from geomcheck.reports.changes_page import comparison_json, write_comparison

    inputs = [Path(old), Path(new or old)] if project is None else [project]
    guard(inputs, [html, json_file])
    with ExitStack() as stack:
        tell = stack.enter_context(session.progress())
        if project is not None:
            files = [_file_of(stack, project, name) for name in (old, new)]
            store = _checked(stack, files, tell, workers)
            sides = [
                _revision(project, name, file, tell, store)
                for name, file in zip((old, new), files, strict=True)
            ]
        elif new is None:
            raise InputError(
                "there is nothing to compare it with",
                where=old,
                remedy="give a second project file or result; or, with --project, one revision",
            )
        else:
            store = _checked(stack, inputs, tell, workers)
            sides = [_side(path, tell, store) for path in inputs]
        (was, before), (now, after) = sides
        comparison = lay_side_by_side(was, now)
        parts: tuple[PartChange, ...] = ()
        if before is not None and after is not None and not no_parts:
            from geomcheck.compare.shapes import part_changes

            tell("comparing the parts", 0, 1)
            parts = part_changes(comparison, before, after)
            tell("comparing the parts", 1, 1)
        code = comparison.exit_code(worse_fails=worse_fails)
        if json_file is not None:
            outputs.write_or_print(comparison_json(comparison, code, parts), json_file)
        if html is not None:
            tell("drawing the page", 0, 1)
            write_comparison(
                comparison,
                html,
                code,
                parts=parts,
                assemblies=None if no_pictures or before is None or after is None
                else (before, after),
            )  # fmt: skip
    if json_file != "-":
        show_comparison(comparison, sys.stdout, parts=parts, show_all=show_all)
        for path in (html, json_file):
            if path is not None:
                click.echo(f"wrote {path}")
    sys.exit(code)


def _checked(
    stack: ExitStack, files: Sequence[Path], tell: Progress, workers: int | None
) -> Store | None:
    """Where answers are kept; with workers, those of both sides, found at once, are there."""
    store = open_store()
    projects = [file for file in files if file.suffix.lower() != ".json"]
    if workers is None or len(projects) < 2:
        return store
    from geomcheck.measuring import measure_at_once

    if store is None:
        store = Store(Path(stack.enter_context(TemporaryDirectory())))
    tell(f"both sides on {workers} workers", 0, 1)
    measure_at_once(projects, store, workers)
    return store


def _side(
    path: Path, tell: Progress, store: Store | None
) -> tuple[Result, Mapping[str, Assembly] | None]:
    """A result, and the parts where it is that of a project file."""
    from geomcheck import session
    from geomcheck.reports.json import read_result

    if path.suffix.lower() == ".json":
        return read_result(path), None
    run = session.run(path, tell, store=store)
    return run.result, run.assemblies


def _file_of(stack: ExitStack, project: Path, revision: str | None) -> Path:
    """A project file as it was in a revision, or as it is now where that is None.

    Its files stand in a folder of their own until ``stack`` is left.
    """
    from geomcheck.repository import as_of, root_of

    if revision is None:
        return project
    folder = project.resolve().parent
    if not folder.is_dir():
        raise InputError("there is no such folder", where=str(project.parent))
    inside = project.resolve().relative_to(root_of(folder))
    file = stack.enter_context(as_of(folder, revision)) / inside
    if not file.exists():
        raise InputError(
            f"there is no {inside.as_posix()} in revision {revision!r}",
            remedy="give the project file's path as it was in both revisions",
        )
    return file


def _revision(
    project: Path, revision: str | None, file: Path, tell: Progress, store: Store | None
) -> tuple[Result, Mapping[str, Assembly] | None]:
    """The side of a project as it was in a revision; ``file`` as from :func:`_file_of`."""
    if revision is None:
        result, parts = _side(file, tell, store)
        return replace(result, file=f"{project.name}, as it is now"), parts
    try:
        result, parts = _side(file, tell, store)
        # Read while errors can still be told by revision, not by a folder that is gone.
        parts = None if parts is None else {name: parts[name] for name in parts}
    except InputError as error:
        inside = project.resolve().relative_to(_root(project))
        tree = file.parents[len(inside.parts) - 1]
        here = (str(tree.resolve()), str(tree))
        what, where = error.what, error.where
        for text in here:
            what, where = (x.replace(f"{text}/", f"{revision}:") for x in (what, where))
        raise InputError(what, where=where, remedy=error.remedy) from error
    return replace(result, file=f"{project.name} at {revision}"), parts


def _root(project: Path) -> Path:
    from geomcheck.repository import root_of

    return root_of(project.resolve().parent)
