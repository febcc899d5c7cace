"""What the project file says of how true a part is, as allowances for the fit room."""

from __future__ import annotations

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fit.body import Body
from geomcheck.fit.budget import Allowance, Casting, Combine, Uniform, widen
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.state import Gap
from geomcheck.project.assembly import Assembly


def allowances(assembly: Assembly, name: str) -> tuple[Allowance, ...]:
    """Everything that lets the true surface of a part stand off its mesh, but the facets.

    Parameters
    ----------
    assembly : Assembly
    name : str
        A part of it.

    Returns
    -------
    tuple of Allowance
        Casting tolerance, print tolerance, scan noise, alignment; those that are declared, and
        the alignment found from datum points. Asked twice of one assembly, the alignment of a
        whole vehicle is the same object for all its parts.

    Raises
    ------
    ProjectError
        The casting's datum lies far outside the part, or the part is larger than its grade is
        defined for.
    """
    part, entry, key = (
        assembly.parts[name],
        assembly.part_entries[name],
        assembly.part_keys[name],
    )
    found: list[Allowance] = []
    if entry.casting is not None:
        low, high = part.file_bounds
        datum = np.asarray(entry.casting.datum)
        outside = float(np.linalg.norm(np.maximum(0.0, np.maximum(low - datum, datum - high))))
        if outside > float(np.linalg.norm(high - low)):
            assembly.refuse(
                (*key, "casting", "datum"),
                f"the datum of the casting tolerance lies {outside:.2f} mm outside {name}, "
                "farther than the part is large",
                "Give it in mm, in the axes of the part's own file",
            )
        place = part.placed(datum[None])[0]
        try:
            found.append(
                Casting(
                    f"casting tolerance of {name}",
                    entry.casting.grade,
                    (float(place[0]), float(place[1]), float(place[2])),
                    part.vertices,
                )
            )
        except InputError as error:
            assembly.refuse((*key, "casting", "grade"), f"{name}: {error.what}", error.remedy)
    if entry.print_tolerance:
        found.append(Uniform(f"print tolerance of {name}", entry.print_tolerance))
    if entry.scan is not None and entry.scan.noise:
        found.append(Uniform(f"scan noise of {name}", entry.scan.noise))
    if entry.scan is not None and entry.scan.alignment:
        found.append(Uniform(f"alignment of {name}", entry.scan.alignment))
    found.extend(part.alignments)
    return tuple(found)


def qualify(
    assembly: Assembly,
    gap: Gap,
    pairing: Pairing,
    names: tuple[str, str],
    bodies: tuple[Body, Body],
    combine: Combine,
) -> Gap:
    """A measured gap with everything the project file says of how true the two parts are.

    Parameters
    ----------
    assembly : Assembly
    gap : Gap
    pairing : Pairing
        What was measured.
    names : (str, str)
        The two parts, in the order they were measured.
    bodies : (Body, Body)
    combine : {"worst case", "root sum of squares"}

    Raises
    ------
    ProjectError
        As :func:`allowances`.
    CannotDecide
        As :func:`geomcheck.fit.budget.widen`.
    """
    first, second = (allowances(assembly, name) for name in names)
    return widen(gap, *bodies, first, second, pairing=pairing, combine=combine)
