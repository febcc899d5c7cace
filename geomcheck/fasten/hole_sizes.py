"""Which hole a bolt wants: clearance by ISO 273, or a thread's tap drill."""

from __future__ import annotations

from geomcheck.errors import InputError
from geomcheck.standards import Fit, clearance_hole, threads


def clearance_range(size: str, least: Fit, most: Fit) -> tuple[float, float]:
    """Least and greatest diameter of a clearance hole, mm, by two fits of ISO 273.

    Raises
    ------
    InputError
        The size is not in the table.

    Examples
    --------
    >>> clearance_range("M8", "fine", "coarse")
    (8.4, 10.0)
    """
    return clearance_hole(size, least).diameter, clearance_hole(size, most).diameter


def thread_ranges(size: str, slack: float) -> tuple[tuple[float, float], ...]:
    """Diameters, mm, as which a thread of a size may be drawn: at its tap drills, or full size.

    From the least internal minor diameter of its pitches to the largest tap drill, and the thread's
    nominal diameter; each with ``slack`` to either side.

    Raises
    ------
    InputError
        The size is not in the table.

    Examples
    --------
    >>> thread_ranges("M6", 0.1)
    ((4.817, 5.1), (5.9, 6.1))
    """
    rows = [row for row in threads() if row.size == size]
    if not rows:
        known = ", ".join(dict.fromkeys(row.size for row in threads()))
        raise InputError(
            f'there is no thread "{size}" in the table', remedy=f"Known sizes: {known}"
        )
    low = min(row.minor_internal for row in rows) - slack
    high = max(row.tap_drill for row in rows) + slack
    nominal = rows[0].diameter
    return (round(low, 6), round(high, 6)), (round(nominal - slack, 6), round(nominal + slack, 6))


def class_of(diameter: float, sizes: tuple[str, ...], slack: float) -> str:
    """What a hole of a diameter is good for among some sizes; empty for nothing.

    Examples
    --------
    >>> class_of(9.0, ("M6", "M8"), 0.1), class_of(5.0, ("M6", "M8"), 0.1), class_of(30, ("M6",), 0)
    ('M8 clearance', 'M6 thread', '')
    """
    for size in sizes:
        try:
            low, high = clearance_range(size, "fine", "coarse")
        except InputError:
            continue
        if low - 1e-6 <= diameter <= high + 1e-6:
            return f"{size} clearance"
    for size in sizes:
        try:
            drilled = thread_ranges(size, slack)[0]
        except InputError:
            continue
        if drilled[0] <= diameter <= drilled[1]:
            return f"{size} thread"
    return ""
