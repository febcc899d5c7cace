"""``geomcheck new``: a first project file for a folder of meshes."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
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
