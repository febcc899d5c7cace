"""Tables of screws, holes, hand tools, casting tolerances and flow losses, and their reader.

The tables are CSV files beside this module. Every row has a ``status`` (confirmed, computed, from
memory) and a ``source`` column; both come with every row read, so that a finding can say what its
figures rest on. Lengths are mm. Nothing here is a standard's text: only values.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

from geomcheck.errors import InputError
from geomcheck.standards.reader import TABLES, of_material, table, typed
from geomcheck.standards.rows import (
    CastingTolerance,
    Clearance,
    Drive,
    Expansion,
    LossCoefficient,
    Screw,
    StartingGap,
    Thread,
    Washer,
)
from geomcheck.standards.tools import (
    BallEnd,
    BitSocket,
    DeepSocket,
    Extension,
    Hand,
    HexKey,
    Ratchet,
    Socket,
    Spanner,
    UniversalJoint,
    ball_ends,
    bit_sockets,
    deep_sockets,
    extensions,
    hands,
    hex_keys,
    ratchets,
    sockets,
    spanners,
    torque_wrenches,
    universal_joints,
)

__all__ = [
    "TABLES",
    "BallEnd",
    "BitSocket",
    "CastingTolerance",
    "Clearance",
    "DeepSocket",
    "Drive",
    "Expansion",
    "Extension",
    "Hand",
    "HexKey",
    "LossCoefficient",
    "Ratchet",
    "Screw",
    "Socket",
    "Spanner",
    "StartingGap",
    "Thread",
    "UniversalJoint",
    "Washer",
    "ball_ends",
    "bit_sockets",
    "casting_grades",
    "casting_tolerance",
    "casting_tolerances",
    "clearance_hole",
    "deep_sockets",
    "expansion",
    "expansions",
    "extensions",
    "hands",
    "heads",
    "hex_keys",
    "loss_coefficients",
    "ratchets",
    "screw",
    "screws",
    "sizes",
    "sockets",
    "spanners",
    "starting_gaps",
    "table",
    "threads",
    "torque_wrenches",
    "universal_joints",
    "washers",
]

Fit = Literal["fine", "medium", "coarse"]


@cache
def screws() -> tuple[Screw, ...]:
    """All screws of the table."""
    return tuple(typed(row, Screw) for row in table("screws"))


def heads() -> tuple[str, ...]:
    """Standards of heads in the table, in its order."""
    return tuple(dict.fromkeys(row.head for row in screws()))


def sizes(head: str) -> tuple[str, ...]:
    """Sizes the table has for a head."""
    return tuple(row.size for row in screws() if row.head == head)


def screw(head: str, size: str) -> Screw:
    """Row of a head and size.

    Raises
    ------
    InputError
        The head, or the size of that head, is not in the table; the message lists what is.

    Examples
    --------
    >>> screw("ISO 4762", "M8").head_height
    8.0
    """
    for row in screws():
        if row.head == head and row.size == size:
            return row
    if head not in heads():
        raise InputError(
            f'there is no head "{head}" in the table',
            remedy=f"Known heads: {', '.join(heads())}",
        )
    raise InputError(
        f'there is no size "{size}" for the head "{head}" in the table',
        remedy=f"Known sizes: {', '.join(sizes(head))}",
    )


def clearance_hole(size: str, fit: Fit = "medium") -> Clearance:
    """Clearance hole of ISO 273 for a metric size.

    Raises
    ------
    InputError
        The size is not in the table.

    Examples
    --------
    >>> clearance_hole("M12").diameter
    13.5
    """
    for row in table("clearance_holes"):
        if row["size"] == size:
            return Clearance(float(row[fit]), row["status"], row["source"])
    known = ", ".join(row["size"] for row in table("clearance_holes"))
    raise InputError(
        f'there is no clearance hole for "{size}" in the table', remedy=f"Known sizes: {known}"
    )


@cache
def washers() -> tuple[Washer, ...]:
    """Plain washers of ISO 7089."""
    return tuple(typed(row, Washer) for row in table("washers"))


@cache
def threads() -> tuple[Thread, ...]:
    """Metric threads, coarse pitch first for each size."""
    return tuple(typed(row, Thread) for row in table("threads"))


@cache
def starting_gaps() -> tuple[StartingGap, ...]:
    """Gaps to start from, by class of neighbour.

    They are starting values, not requirements: the maker's figures and, for fuel lines and hot
    parts, local codes come first.
    """
    return tuple(typed(row, StartingGap) for row in table("starting_gaps"))


def casting_grades() -> tuple[str, ...]:
    """Dimensional casting tolerance grades of the table, finest first: ``DCTG 1`` ..."""
    return tuple(name for name in table("iso8062_3_dctg")[0] if name.startswith("DCTG"))


@cache
def casting_tolerances(grade: str) -> tuple[CastingTolerance, ...]:
    """The ranges of nominal dimension for which a grade has a tolerance, smallest first.

    Raises
    ------
    InputError
        No such grade; the message lists the known ones.
    """
    if grade not in casting_grades():
        raise InputError(
            f'there is no casting tolerance grade "{grade}"',
            remedy=f"Known grades (ISO 8062-3): {', '.join(casting_grades())}",
        )
    return tuple(
        CastingTolerance(
            grade,
            float(row["over"]),
            float(row["to"]),
            float(row[grade]),
            row["status"],
            row["source"],
        )
        for row in table("iso8062_3_dctg")
        if row[grade]
    )


def casting_tolerance(grade: str, nominal: float) -> CastingTolerance:
    """Tolerance of a casting's linear dimension, ISO 8062-3:2007, table 2.

    Parameters
    ----------
    grade : str
        ``DCTG 1`` to ``DCTG 16``; whoever orders the casting must choose it.
    nominal : float
        The nominal dimension, mm. A dimension of 0 falls in the first range.

    Raises
    ------
    InputError
        No such grade, or the standard gives it no tolerance for this dimension. Nothing is
        extrapolated.

    Examples
    --------
    >>> row = casting_tolerance("DCTG 8", 320.0)
    >>> row.width, row.half
    (2.2, 1.1)
    """
    rows = casting_tolerances(grade)
    for row in rows:
        if row.over < nominal <= row.to or (row.over == 0.0 == nominal):
            return row
    raise InputError(
        f"{grade} has no tolerance for a dimension of {nominal:.2f} mm",
        remedy=f"The table gives it from over {rows[0].over:g} to {rows[-1].to:g} mm: choose "
        "another grade, or agree a tolerance of its own with the foundry",
    )


@cache
def expansions() -> tuple[Expansion, ...]:
    """Linear thermal expansion of materials near room temperature."""
    return tuple(typed(row, Expansion) for row in table("thermal_expansion"))


def expansion(material: str) -> Expansion:
    """Row of a material.

    Raises
    ------
    InputError
        The material is not in the table; the message lists what is.

    Examples
    --------
    >>> expansion("Al 6061").high
    23.6
    """
    row: Expansion = of_material(
        expansions(), material, "thermal expansion", "State its own coefficient"
    )
    return row


@cache
def loss_coefficients(feature: str) -> tuple[LossCoefficient, ...]:
    """Loss coefficients of one feature, in the order of the table; empty for an unknown one."""
    rows = (typed(row, LossCoefficient) for row in table("loss_coefficients"))
    return tuple(row for row in rows if row.feature == feature)
