"""Tables behind the length of a bolt: series of lengths, threads, engagement, nuts, run-outs."""

from __future__ import annotations

from functools import cache
from typing import Literal, NamedTuple

from geomcheck.errors import InputError
from geomcheck.standards.reader import table, typed
from geomcheck.standards.rows import Screw

#: H / P of the basic profile, ISO 68-1 and ASME B1.1: depths of the profile over the pitch.
MINOR_INTERNAL = 1.082532
MINOR_EXTERNAL = 1.226869


class BoltLength(NamedTuple):
    """A nominal length of the series with its limits of size, mm."""

    length: float
    least: float
    greatest: float
    choice: Literal["first", "second"]
    status: str
    source: str


class Engagement(NamedTuple):
    """Least length of engaged thread over the diameter, for one material of the inner thread.

    ``strength_class`` is the bolt's (``8.8``); empty where the rule does not tell them apart.
    """

    material: str
    strength_class: str
    factor: float
    status: str
    source: str


class Nut(NamedTuple):
    """A hexagon nut, mm."""

    standard: str
    size: str
    height_min: float
    height_max: float
    across_flats: float
    status: str
    source: str


class Pitch(NamedTuple):
    """A thread's basic diameters, mm."""

    pitch: float
    minor_internal: float
    minor_external: float
    status: str


@cache
def bolt_lengths() -> tuple[BoltLength, ...]:
    """Nominal lengths of ISO 888, shortest first."""
    return tuple(typed(row, BoltLength) for row in table("bolt_lengths"))


@cache
def length_limits(length: float) -> tuple[float, float]:
    """Limits of size of a nominal length, product grade A, mm.

    A length between two of the series has the wider tolerance of the two; beyond the series it
    has that of the last.
    """
    rows = bolt_lengths()
    longer = next((row for row in rows if row.length >= length), rows[-1])
    half = 0.5 * (longer.greatest - longer.least)
    return length - half, length + half


def thread_materials() -> tuple[str, ...]:
    """Materials for which the table has a rule of engagement."""
    return tuple(dict.fromkeys(row["material"] for row in table("thread_engagement")))


def engagement(material: str, strength_class: str | None = None) -> Engagement:
    """Rule of engagement for the material that carries the thread.

    Parameters
    ----------
    material : str
    strength_class : str or None
        Of the bolt; without it the greatest figure of the material is given.

    Raises
    ------
    InputError
        The material, or this class for it, is not in the table; the message lists what is.

    Examples
    --------
    >>> engagement("grey iron GJL-250", "10.9").factor
    1.25
    """
    rows = [typed(row, Engagement) for row in table("thread_engagement")]
    rows = [row for row in rows if row.material == material]
    if not rows:
        raise InputError(
            f'there is no material "{material}" in the table of thread engagement',
            remedy=f"Give engagement in mm or as '1.5d', or choose one of: "
            f"{'; '.join(thread_materials())}",
        )
    if strength_class is not None:
        rows = [row for row in rows if row.strength_class in ("", strength_class)]
        if not rows:
            raise InputError(
                f'the table of thread engagement has no figure for "{material}" with bolts of '
                f"class {strength_class}",
                remedy="Give engagement in mm or as '1.5d'",
            )
    found: Engagement = max(rows, key=lambda row: row.factor)
    return found


def nut(standard: str, size: str) -> Nut:
    """A nut of the table.

    Raises
    ------
    InputError
        Not in the table; the message lists what is.

    Examples
    --------
    >>> nut("ISO 4032", "M8").height_max
    6.8
    """
    rows = [typed(row, Nut) for row in table("nuts")]
    for row in rows:
        if (row.standard, row.size) == (standard, size):
            found: Nut = row
            return found
    known = "; ".join(f"{row.standard} {row.size}" for row in rows)
    raise InputError(
        f'there is no nut "{standard}" of size {size} in the table', remedy=f"Known nuts: {known}"
    )


def runout(size: str) -> float | None:
    """Drilled hole beyond the full thread of a blind hole, mm; None where the table has none."""
    for row in table("thread_runouts"):
        if row["size"] == size:
            return float(row["runout"])
    return None


def pitch(row: Screw) -> Pitch:
    """Coarse thread of a metric screw; the thread of an inch screw.

    Raises
    ------
    InputError
        The size is not in the table of threads.

    Examples
    --------
    >>> from geomcheck.standards import screw
    >>> pitch(screw("ISO 4762", "M8")).minor_internal
    6.647
    """
    for thread in table("threads"):
        if thread["size"] == row.size:
            return Pitch(
                float(thread["pitch"]),
                float(thread["minor_internal"]),
                float(thread["minor_external"]),
                thread["status"],
            )
    _, dash, turns = row.size.partition("-")
    if not (dash and turns.isdigit()):
        raise InputError(f'there is no thread "{row.size}" in the table')
    step = 25.4 / int(turns)
    return Pitch(
        step,
        row.thread_diameter - MINOR_INTERNAL * step,
        row.thread_diameter - MINOR_EXTERNAL * step,
        "computed from the basic profile of unified threads",
    )


def thread_length(row: Screw, length: float) -> float | None:
    """Length of thread of a bolt, mm; None where the table does not tell.

    ISO 888: b = 2 d + 6 up to 125 mm, 2 d + 12 up to 200 mm, 2 d + 25 above (confirmed, page at
    andrewsfasteners.uk). Socket head screws: 2 d + 12 (ISO 4762, b reference of its table).
    Screws of ISO 4017 and DIN 933 are threaded to the head.

    Examples
    --------
    >>> from geomcheck.standards import screw
    >>> thread_length(screw("ISO 4014", "M8"), 60.0)
    22.0
    """
    d = row.thread_diameter
    if row.head in ("ISO 4017", "DIN 933"):
        return length
    if row.head == "ISO 4762":
        return min(2.0 * d + 12.0, length)
    if row.head in ("ISO 4014", "DIN 931"):
        more = 6.0 if length <= 125.0 else 12.0 if length <= 200.0 else 25.0
        return min(2.0 * d + more, length)
    return None
