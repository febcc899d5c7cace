"""``geomcheck look``: what a mesh file is."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
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
