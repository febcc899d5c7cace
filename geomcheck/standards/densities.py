"""Densities of materials a part is made of."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from geomcheck.standards.reader import of_material, table, typed


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
    row: Density = of_material(densities(), material, "densities", "State its density instead")
    return row
