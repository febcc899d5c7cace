"""What the project file says of a bolt's length: thread, nut, gaskets, what is wanted."""

from __future__ import annotations

from geomcheck.errors import InputError
from geomcheck.fasten.joints import Gasket
from geomcheck.fasten.length import Wanted
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry
from geomcheck.project.lines import Key
from geomcheck.standards import screw
from geomcheck.standards.lengths import engagement, nut, pitch


def length_is_asked(entry: FastenerEntry) -> bool:
    """Whether an entry says anything that only the length of the bolt is asked with."""
    given = (entry.into, entry.nut, entry.engagement, entry.material, entry.thread_depth)
    return any(value is not None for value in given)


def wanted(
    assembly: Assembly,
    key: Key,
    entry: FastenerEntry,
    *,
    margin: float,
    protrusion: float,
    tip: float,
) -> tuple[Wanted, str]:
    """What is wanted of a bolt, and where the engagement wanted comes from.

    Parameters
    ----------
    margin, protrusion : float
        In pitches.
    tip : float
        mm.

    Raises
    ------
    ProjectError
        A part, material, class or nut is not known, or the entry contradicts itself; names the
        line.
    """
    if entry.into is not None and entry.into not in assembly.parts:
        assembly.refuse(
            (*key, "into"),
            f'there is no part "{entry.into}"',
            f"Known parts: {', '.join(assembly.parts)}",
        )
    if entry.nut is not None and entry.thread_depth is not None:
        assembly.refuse(
            (*key, "thread_depth"),
            f'the thread of "{entry.name}" is in its nut: a thread_depth makes no sense',
            "Take away thread_depth, or nut",
        )
    row = screw(entry.head, entry.size)
    least, source = _engagement(assembly, key, entry, row.thread_diameter)
    try:
        step = pitch(row).pitch
    except InputError as error:
        assembly.refuse((*key, "size"), error.what, error.remedy)
    try:
        its_nut = None if entry.nut is None else nut(entry.nut, entry.size)
    except InputError as error:
        assembly.refuse((*key, "nut"), error.what, error.remedy)
    asked = Wanted(least, margin * step, protrusion * step, tip, entry.thread_depth, its_nut)
    return asked, source


def _engagement(
    assembly: Assembly, key: Key, entry: FastenerEntry, diameter: float
) -> tuple[float | None, str]:
    """Least engaged thread, mm, and its source."""
    if isinstance(entry.engagement, str):
        return float(entry.engagement.rstrip("d ")) * diameter, f'engagement of "{entry.name}"'
    if entry.engagement is not None:
        return entry.engagement, f'engagement of "{entry.name}"'
    if entry.material is None:
        return None, ""
    try:
        rule = engagement(entry.material, entry.strength_class)
    except InputError as error:
        field = "strength_class" if "class" in error.what else "material"
        assembly.refuse((*key, field), error.what, error.remedy)
    grade = f", class {rule.strength_class}" if rule.strength_class else ""
    return (
        rule.factor * diameter,
        f"{rule.factor:g} d in {rule.material}{grade} ({rule.status}; {rule.source})",
    )


def gaskets(assembly: Assembly) -> tuple[Gasket, ...]:
    """The gaskets of the vehicle's mates; a mate without one counts as one of no thickness."""
    return tuple(
        Gasket(
            entry.name,
            frozenset(entry.parts),
            entry.at,
            entry.normal,
            entry.gasket,
            entry.tolerance,
        )
        for _, entry in assembly.mates
    )
