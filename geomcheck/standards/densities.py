"""Densities of materials a part is made of."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from geomcheck.errors import InputError
from geomcheck.standards.reader import table, typed


class Density(NamedTuple):
    """Density of a material near room temperature, g/cm3; a range where figures differ."""

    material: str
    low: float
    high: float
    status: str
    source: str


@cache
def densities() -> tuple[Density, ...]:
    """All materials of the table."""
    return tuple(typed(row, Density) for row in table("densities"))


def density(material: str) -> Density:
    """Row of a material.

    Raises
    ------
    InputError
        The material is not in the table; the message lists what is.

    Examples
    --------
    >>> density("Al 6061").high
    2.71
    """
    for row in densities():
        if row.material == material:
            return row
    known = "; ".join(row.material for row in densities())
    raise InputError(
        f'there is no material "{material}" in the table of densities',
        remedy=f"State its density instead, or choose one of: {known}",
    )
