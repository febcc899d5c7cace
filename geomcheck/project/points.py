"""Service points as the check of service points needs them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.toolbox import choose_tools
from geomcheck.fasten.tools import Tool
from geomcheck.fasten.way_in import way_to
from geomcheck.fasten.way_words import with_way
from geomcheck.finding import Finding, Point, Verdict
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import ServiceEntry
from geomcheck.project.lines import Key
from geomcheck.project.tools import own_tools
from geomcheck.standards import Screw, heads

#: Height of a hexagon over its across flats where none is given (common practice, no source; the
#: heads of ISO 4014 have about 0.4, spark plugs and drain plugs more).
HEIGHT_RATIO = 0.5


def point_of(assembly: Assembly, key: Key, entry: ServiceEntry) -> Fastener:
    """What is turned or drawn at a service point, in its place.

    Raises
    ------
    ProjectError
        The part is not known or not the vehicle's, or the head or size is not in the table; names
        the line.
    """
    if entry.part not in assembly.parts:
        assembly.refuse(
            (*key, "part"),
            f'there is no part "{entry.part}"',
            f"Known parts: {', '.join(assembly.parts)}",
        )
    if assembly.parts[entry.part].role != "neighbour":
        assembly.refuse(
            (*key, "part"),
            f'"{entry.part}" is not a part of the vehicle',
            "a service point is on the vehicle; ask for bolts of the housing as [[fastener]]",
        )
    if entry.part in entry.itself:
        assembly.refuse(
            (*key, "itself"),
            f'"{entry.part}" carries the service point and cannot be left out',
            "name the parts that are turned or drawn out",
        )
    if entry.head is not None and entry.size is not None:
        try:
            return Fastener.of(
                entry.head, entry.size, entry.at, entry.axis, length=1.0, name=entry.name
            )
        except InputError as error:
            field = "size" if entry.head in heads() else "head"
            assembly.refuse((*key, field), error.what, error.remedy)
    row = declared(entry.drive or "hexagon", entry.across_flats or 1.0, entry.height)
    return Fastener(entry.name, entry.at, entry.axis, row, 1.0)


def declared(
    drive: Literal["hexagon", "hexagon socket"], across_flats: float, height: float | None
) -> Screw:
    """A head that is in no table: a hexagon, or a round head with a hexagon in it, mm."""
    ratio = 2.0 / math.sqrt(3.0) if drive == "hexagon" else 2.0
    return Screw(
        head="as declared",
        size=f"{across_flats:g} mm across flats",
        thread_diameter=across_flats,
        drive=drive,
        across_flats=across_flats,
        across_corners=None,
        head_diameter=ratio * across_flats,
        head_height=HEIGHT_RATIO * across_flats if height is None else height,
        bearing_diameter=None,
        socket_depth=None,
        flange_edge=None,
        status="as declared",
        source="project file",
    )


def tools_of(
    assembly: Assembly, key: Key, entry: ServiceEntry, point: Fastener
) -> tuple[Tool, ...]:
    """The tools that may turn a service point; none where nothing is turned.

    Raises
    ------
    ProjectError
        A tool is not known or does not drive it, or nothing does.
    """
    if entry.head is None and entry.drive is None:
        return ()
    try:
        return choose_tools(point.screw, entry.tools, own_tools(assembly))
    except InputError as error:
        field = "tools" if entry.tools else "head" if entry.head else "across_flats"
        assembly.refuse((*key, field), error.what, error.remedy)


def still_reached(
    assembly: Assembly,
    about: Surroundings,
    entry: ServiceEntry,
    finding: Finding,
    what: str,
    held: Sequence[tuple[Point, Point]],
) -> Finding:
    """A finding that passes, undecided where nothing comes there now and something came before.

    Parameters
    ----------
    assembly, about, entry
    finding : Finding
    what : str
        Where the way is asked for.
    held : sequence of (place, axis)
        As for :func:`geomcheck.fasten.way_in.way_to`.
    """
    if finding.verdict is not Verdict.PASS or not held:
        return finding
    roles = assembly.parts.roles

    def there(name: str) -> bool:
        return name not in entry.itself

    def theirs(name: str) -> bool:
        return there(name) and roles[name] == "neighbour"

    now = way_to(held, about.around(entry.part, there))
    if now.comes == "nothing":
        before = way_to(held, about.around(entry.part, theirs))
        if before.comes == "nothing":
            return finding
    return with_way(finding, what, held[0][0], now, finger=True)
