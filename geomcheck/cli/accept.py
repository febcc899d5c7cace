"""``geomcheck accept`` and ``geomcheck prune``: what stands in the baseline."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--vehicle", "vehicles", multiple=True, help="Only this vehicle (repeatable).")
@click.option("--only", multiple=True, metavar="CODE", help="Only this check (repeatable).")
def accept(project: Path, vehicles: tuple[str, ...], only: tuple[str, ...]) -> None:
    """Measure PROJECT and take the values into its baseline.

    Values of vehicles and checks that are not asked stay as they are. Commit the file: 'geomcheck
    check' holds every later run against it, and never writes it.
    """
    from geomcheck import session

    with session.progress() as tell:
        changes = session.accept(project, tell, vehicles=vehicles, only=only)
    for line in changes:
        click.echo(line)


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
def prune(project: Path) -> None:
    """Measure PROJECT and take out of its baseline what no question asks any more."""
    from geomcheck import session

    with session.progress() as tell:
        changes = session.prune(project, tell)
    for line in changes:
        click.echo(line)
