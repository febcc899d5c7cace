"""The hole under each bolt, and holes no bolt is declared for."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from geomcheck.errors import CannotDecide
from geomcheck.fasten import words
from geomcheck.fasten.crossing import Placed, holes_crossing
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.hole_sizes import class_of
from geomcheck.fasten.holes import Hole
from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.found_holes import holes_at, holes_of
from geomcheck.wording import capital


def hole_under(
    assembly: Assembly,
    name: str,
    fastener: Fastener,
    *,
    near: float,
    reach: float,
    diameters: tuple[float, float],
    below: bool = False,
) -> Placed | None:
    """The hole of a part whose axis passes nearest to a bolt's seat; None where there is none.

    Parameters
    ----------
    assembly : Assembly
    name : str
        The part.
    fastener : Fastener
    near : float
        Greatest distance of the axis from the seat's centre, mm.
    reach : float
        How far the hole may begin from the seat, mm.
    diameters : (float, float)
        Of the bores that count, mm.
    below : bool
        Only holes that lie below the seat as a whole.

    Raises
    ------
    CannotDecide
        The mesh does not tell a hole from a pin.
    """
    found = holes_at(
        assembly,
        name,
        fastener.at,
        fastener.axis,
        within=near,
        reach=reach,
        diameters=diameters,
    )
    if below:
        found = [placed for placed in found if _top(placed.hole, fastener) <= 1.0]
    return min(found, key=lambda placed: math.dist(placed.point, fastener.at), default=None)


def _top(hole: Hole, fastener: Fastener) -> float:
    return max(fastener.height_of(hole.at), fastener.height_of(hole.point(hole.depth)))


def loose_holes(
    assembly: Assembly, name: str, sizes: Sequence[str], *, near: float, slack: float
) -> list[tuple[Hole, str]]:
    """Holes of a part that fit a bolt of one of some sizes and belong to no fastener.

    A hole belongs to a fastener of the project, of any vehicle, whose seat or axis is within
    ``near`` mm of it; ``slack`` is that on the diameter of a thread, mm.

    Raises
    ------
    CannotDecide
        The mesh does not tell a hole from a pin.
    """
    wanted = tuple(dict.fromkeys(sizes))
    if not wanted:
        return []
    declared = assembly.lines.value(("fastener",)) or []
    loose = []
    for hole in holes_of(assembly, name, (1.0, 15.0)):
        kind = class_of(2.0 * hole.radius, wanted, slack)
        if not kind or any(_belongs(hole, entry, name, near) for entry in declared):
            continue
        loose.append((hole, kind))
    return loose


def _belongs(hole: Hole, entry: dict[str, object], name: str, near: float) -> bool:
    if name not in (entry.get("part"), entry.get("into")):
        return False
    at, axis = _triple(entry.get("at")), _triple(entry.get("axis"))
    length = entry.get("length")
    if at is None or axis is None or not isinstance(length, int | float):
        return False
    size = math.sqrt(math.fsum(x * x for x in axis))
    if size == 0.0:
        return False
    unit = (axis[0] / size, axis[1] / size, axis[2] / size)
    return bool(holes_crossing([hole], at, unit, within=near, reach=float(length) + 3.0))


def _triple(value: object) -> tuple[float, float, float] | None:
    if isinstance(value, list) and len(value) == 3:
        return (float(value[0]), float(value[1]), float(value[2]))
    return None


def unasked_holes(
    code: str, assembly: Assembly, parts: tuple[str, ...], message: str, remedy: str
) -> Finding:
    """What the table asks for and nothing could be compared with: never a silent pass."""
    return Finding(
        code=code,
        verdict=Verdict.UNDECIDED,
        vehicle=assembly.vehicle,
        subject=f'holes of "{parts[0]}"' if parts else "holes",
        parts=parts,
        message=message,
        remedy=capital(remedy),
        entry=assembly.entry(("check", code)),
    )


def undeclared_holes(
    code: str, assembly: Assembly, name: str, *, near: float, slack: float, fail: bool
) -> Iterator[Finding]:
    """The finding on a part's holes that fit a declared size and belong to no fastener.

    ``near``, ``slack`` as for :func:`loose_holes`; ``fail`` makes them a fault.
    """
    sizes = [entry.size for _, entry in assembly.fasteners]
    try:
        loose = loose_holes(assembly, name, sizes, near=near, slack=slack)
    except CannotDecide as error:
        if any(name in (entry.part, entry.into) for _, entry in assembly.fasteners):
            return  # said of each bolt already
        text = f"Holes without a bolt cannot be listed: {error.what}."
        yield unasked_holes(code, assembly, (name,), text, f"{error.remedy}.")
        return
    if not loose:
        return
    shown = "; ".join(
        f"{words.millimetres(2.0 * hole.radius)} mm ({kind}) at {words.at(hole.at)}"
        for hole, kind in loose[:8]
    )
    more = f" and {len(loose) - 8} more" if len(loose) > 8 else ""
    yield Finding(
        code=code,
        verdict=Verdict.FAIL if fail else Verdict.NOT_APPLICABLE,
        vehicle=assembly.vehicle,
        subject=f'holes of "{name}"',
        parts=(name,),
        message=f"{len(loose)} holes of {name} fit a declared bolt size and belong to no declared "
        f"fastener: {shown}{more}.",
        remedy="Declare the bolts that go into them as [[fastener]], or close the holes.",
        witnesses=tuple(Witness("hole", name, hole.at) for hole, _ in loose),
        entry=assembly.entry(("check", code)),
        details={
            "holes": [
                {"at": list(h.at), "axis": list(h.axis), "diameter": 2.0 * h.radius, "fits": kind}
                for h, kind in loose
            ]
        },
    )
