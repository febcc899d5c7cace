"""What a scan does not show, in words: reasons why a measured gap decides nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

from geomcheck.fit.body import Body
from geomcheck.fit.facing import shows_back, wholly_behind
from geomcheck.fit.holes import Missing, measured_triangles, missing
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.state import Gap
from geomcheck.fit.words import length, place
from geomcheck.project.assembly import Assembly

#: Places without data named for each part; the others are counted.
NAMED = 3


def doubted(
    assembly: Assembly,
    gap: Gap,
    pairing: Pairing,
    names: tuple[str, str],
    bodies: tuple[Body, Body],
    limit: float,
    shells: Collection[str],
) -> Gap:
    """A measured gap with the reasons that open meshes give to leave it undecided.

    Parameters
    ----------
    assembly : Assembly
    gap : Gap
        With its whole interval.
    pairing : Pairing
        What was measured.
    names : (str, str)
        The two parts, in the order they were measured.
    bodies : (Body, Body)
    limit : float
        Required gap, mm.
    shells : collection of str
        Parts known to enclose no material.
    """
    points = (gap.point_a, gap.point_b)
    kept = measured_triangles(pairing)
    reasons: list[str] = []
    remedies: list[str] = []
    for scan, other in ((0, 1), (1, 0)):
        if bodies[scan].kind == "closed" or gap.state not in ("apart", "touching"):
            continue
        entry = assembly.part_entries[names[scan]]
        found = missing(
            gap,
            bodies[other],
            bodies[scan],
            limit,
            point=points[scan],
            towards=points[other],
            keep=kept[scan],
            edge_is_real=entry.edge_is_real,
            holes_are_real=entry.holes_are_real,
        )
        told = list(_told(found, names[scan], names[other]))
        if names[scan] not in shells:
            if wholly_behind(bodies[other], bodies[scan]):
                told.append(_behind(names[scan], f"all of {names[other]}"))
            elif shows_back(bodies[scan], points[scan], points[other]):
                told.append(_behind(names[scan], f"{names[other]}, where it is nearest,"))
        reasons += [reason for reason, _ in told]
        remedies += [remedy for _, remedy in told]
    if not reasons:
        return gap
    return replace(gap, undecided=(*gap.undecided, *reasons), remedies=(*gap.remedies, *remedies))


def _told(found: list[Missing], scan: str, other: str) -> Iterator[tuple[str, str]]:
    """Reason and remedy of the nearest few."""
    more = len(found) - NAMED
    for number, one in enumerate(found[:NAMED]):
        last = f" (and {more} more such places)" if more > 0 and number == NAMED - 1 else ""
        where = place(one.place)
        near = "touch" if one.nearest == 0.0 else f"come within {length(one.nearest)} mm of"
        if one.kind == "hole":
            width, long = (length(x) for x in one.size)
            yield (
                f"the mesh of {scan} has a hole of {width} x {long} mm at {where}: there is no "
                f"data, and a surface across it might {near} {other}{last}",
                f"Scan {scan} again at {where}, or set holes_are_real = true on it if its holes "
                "are holes in the part.",
            )
        elif one.kind == "bay":
            yield (
                f"the mesh of {scan} has a bay {length(one.size[0])} mm wide in its rim at "
                f"{where}: no data, and a surface across it might {near} {other}{last}",
                f"Scan {scan} again at {where}, or set edge_is_real = true on it if its mesh ends "
                "where the part ends.",
            )
        else:
            reason = (
                f"the nearest point of {scan} lies on the outer rim of its mesh, and the surface "
                f"runs towards {other} there: there is no data beyond"
                if one.kind == "rim"
                else f"the mesh of {scan} ends at {where}: gone on straight its surface would "
                f"{near} {other}"
            )
            yield (
                reason + last,
                f"Scan {scan} farther at {where}, or set edge_is_real = true on it if its mesh "
                "ends where the part ends.",
            )


def _behind(scan: str, what: str) -> tuple[str, str]:
    return (
        f"{what} lies behind the face of the open mesh of {scan}: what stands on that side of it "
        "is not in the mesh",
        f"Scan {scan} from that side too, or turn its triangles if they face the wrong way; if "
        "nothing stands behind its face, name it in shells of [check.fit-gap].",
    )
