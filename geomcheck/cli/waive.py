"""``geomcheck waive``: write a waiver for a finding as it is now."""

from __future__ import annotations

import datetime
from pathlib import Path

import click


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("code")
@click.argument("subject")
@click.option("--vehicle", required=True, help="The finding's vehicle.")
@click.option("--reason", required=True, help="Why it is accepted.")
@click.option("--owner", required=True, help="Who answers for it.")
@click.option(
    "--expires",
    required=True,
    type=click.DateTime(["%Y-%m-%d"]),
    help="The last day on which it holds.",
)
@click.option(
    "--radius",
    default=10.0,
    show_default=True,
    type=click.FloatRange(min=0.1),
    help="How far about the place the surfaces must stay as they are, mm.",
)
def waive(
    project: Path,
    code: str,
    subject: str,
    vehicle: str,
    reason: str,
    owner: str,
    expires: datetime.datetime,
    radius: float,
) -> None:
    """Print the waiver that accepts a finding of PROJECT, to be put into the project file.

    CODE and SUBJECT are as 'geomcheck check' says them: fit-gap "housing / bonnet". The waiver is
    bound to the measured value and to the shape of the parts about the place.
    """
    from geomcheck import session

    with session.progress() as tell:
        text = session.waiver(
            project,
            tell,
            code=code,
            subject=subject,
            vehicle=vehicle,
            reason=reason,
            owner=owner,
            expires=expires.date(),
            radius=radius,
        )
    click.echo(text, nl=False)
