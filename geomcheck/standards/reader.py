"""The tables as they are written: rows of text, and rows as typed values."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from functools import cache
from importlib import resources
from typing import Any, get_type_hints

from geomcheck.errors import InputError

TABLES: tuple[str, ...] = (
    "ball_ends",
    "bay_clearances",
    "bit_sockets",
    "bolt_lengths",
    "clearance_holes",
    "deep_sockets",
    "densities",
    "extensions",
    "hands",
    "hex_keys",
    "iso8062_3_dctg",
    "loss_coefficients",
    "nuts",
    "ratchets",
    "screws",
    "sockets",
    "spanner_clearances",
    "spanners",
    "starting_gaps",
    "thread_engagement",
    "thread_runouts",
    "thermal_expansion",
    "threads",
    "torque_wrenches",
    "universal_joints",
    "washers",
)


@cache
def table(name: str) -> tuple[dict[str, str], ...]:
    """Rows of a table as text, in the order of the file.

    Raises
    ------
    KeyError
        No such table; :data:`TABLES` lists them.
    """
    if name not in TABLES:
        raise KeyError(name)
    text = resources.files(__package__).joinpath(f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def typed(row: dict[str, str], kind: Any) -> Any:
    """One row as ``kind``, column by column; an empty cell is None."""
    values: list[str | float | None] = []
    for name, hint in get_type_hints(kind).items():
        text = row[name]
        if hint in (float, float | None):
            values.append(float(text) if text else None)
        else:
            values.append(text)
    return kind(*values)


def of_material(rows: Iterable[Any], material: str, what: str, instead: str) -> Any:
    """The row of a material.

    Raises
    ------
    InputError
        The material is not among the rows; the message lists what is, and names ``instead``.
    """
    known = {row.material: row for row in rows}
    if material not in known:
        raise InputError(
            f'there is no material "{material}" in the table of {what}',
            remedy=f"{instead}, or choose one of: {'; '.join(known)}",
        )
    return known[material]
