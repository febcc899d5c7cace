"""``geomcheck prove``: what the gate would catch."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path

import click

from geomcheck.cli.targets import guard

KINDS = (
    "grown-near", "grown", "sunk", "port", "duct", "shifted", "mirrored", "swapped", "left-out",
    "stale", "shrunk", "unit", "triangle", "bolt-moved", "bolt-tilted", "bolt-length", "hole",
    "hole-moved", "plug",
)  # fmt: skip
CODES = """\b
Exit codes:
  0  the gate catches every fault
  1  some are not caught
  2  the project file or another input is wrong
  3  there was nothing to plant
  4  all others are caught, but some cannot show beside what is open already
"""


@click.command(epilog=CODES)
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--vehicle", "vehicles", multiple=True, help="Only this vehicle (repeatable).")
@click.option(
    "--fault", "kinds", multiple=True, type=click.Choice(KINDS), help="Only this kind (repeatable)."
)
@click.option(
    "--most", type=click.IntRange(1), default=20, show_default=True, help="At most so many faults."
)
@click.option("--seed", type=click.IntRange(0), default=0, help="Choose other places and parts.")
@click.option("--json", "json_file", metavar="FILE", help="Write JSON; - for standard output.")
@click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day on which waivers must hold; default: the system's.",
)
def prove(
    project: Path,
    vehicles: tuple[str, ...],
    kinds: tuple[str, ...],
    most: int,
    seed: int,
    json_file: str | None,
    today: datetime.datetime | None,
) -> None:
    """Plant known faults into the parts of PROJECT and tell which of them the gate would catch.

    All in memory: no file is changed. A fault is caught where a finding that names the part or
    the bolt is new, worse for certain, or open and was not. What is not caught is told with the
    entry that the project file lacks.
    """
    from geomcheck import outputs, session
    from geomcheck.prove import Kind
    from geomcheck.prove import prove as plant
    from geomcheck.prove.show import proof_text, show_proof

    guard([project], [json_file])
    with session.progress() as tell:
        proof = plant(
            project,
            vehicles=vehicles,
            kinds=tuple(Kind(kind) for kind in kinds),
            most=most,
            seed=seed,
            today=today.date() if today else None,
            tell=tell,
        )
    if json_file is not None:
        outputs.write_or_print(proof_text(proof), json_file)
    if json_file != "-":
        show_proof(proof, sys.stdout)
        if json_file is not None:
            click.echo(f"wrote {json_file}")
    sys.exit(proof.exit_code)
