"""From what the project file says of a part's place to where the part stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError, ProjectError
from geomcheck.mesh.fits import UNIT_RATIOS
from geomcheck.mesh.part import Part
from geomcheck.mesh.placement import apply, check_rigid, rigid
from geomcheck.mesh.refine import refine
from geomcheck.mesh.registration import Alignment, DatumFit, fit_datums
from geomcheck.project.entries import PatchEntry, Place, RefineEntry
from geomcheck.project.lines import Key, LineMap

#: Best-fit scales farther from 1 than this are another unit or another part: nothing is placed.
SCALE_REFUSED = 0.02
#: Share of the residuals that a free scale must take away before it is blamed on the scale.
SCALE_EXPLAINS = 0.5


@dataclass(frozen=True, eq=False)
class Stand:
    """A placement, and how well it is known.

    Parameters
    ----------
    matrix : (4, 4) float64
    alignments : tuple of Alignment
        In the axes that ``matrix`` leads to; empty where the placement is given, not fitted.
    """

    matrix: NDArray[np.float64]
    alignments: tuple[Alignment, ...] = ()

    def then(self, other: Stand) -> Stand:
        """The placement, and ``other`` after it."""
        mine = tuple(alignment.moved(other.matrix) for alignment in self.alignments)
        return Stand(other.matrix @ self.matrix, (*mine, *other.alignments))


def stand(place: Place, lines: LineMap, key: Key, name: str) -> Stand:
    """Placement of a ``place`` table.

    Parameters
    ----------
    place : Place
    lines : LineMap
    key : Key
        Of the table.
    name : str
        Of the part or the vehicle.

    Raises
    ------
    ProjectError
        A matrix that is not rigid; datum pairs that are too few, in one line, of another scale,
        mirrored, or that do not belong together.
    """
    if place.datums:
        return _by_datums(place, lines, key, name)
    if place.matrix is None:
        return Stand(rigid([(t.axis, t.angle, t.about) for t in place.turns], place.move))
    try:
        return Stand(check_rigid(np.array(place.matrix)))
    except InputError as error:
        _refuse(lines, (*key, "matrix"), error.what, error.remedy, error)


def _by_datums(place: Place, lines: LineMap, key: Key, name: str) -> Stand:
    try:
        fit = fit_datums(
            [pair.part for pair in place.datums],
            [pair.at for pair in place.datums],
            accuracy=place.accuracy,
            name=f"alignment of {name} by datum points",
        )
    except InputError as error:
        _refuse(lines, (*key, "datums"), f"{name}: {error.what}", error.remedy, error)
    fault = _fault(fit, name)
    if fault is not None:
        _refuse(lines, (*key, "datums"), *fault)
    return Stand(fit.matrix, (replace(fit.alignment, fit=fit),))


def _fault(fit: DatumFit, name: str) -> tuple[str, str] | None:
    """Why datum pairs place nothing, and what to do; None if they do."""
    if fit.mirrored:
        return (
            f"the datum points of {name} fit much better mirrored: RMS {fit.mirrored_rms:.2f} mm "
            f"against {fit.rms:.2f} mm. Is the part or the scan mirrored?",
            "Use the file of the right hand, or export it unmirrored; check the signs of the "
            "coordinates. Nothing is mirrored to fit",
        )
    if abs(fit.scale - 1.0) <= SCALE_REFUSED:
        return None
    if fit.scaled_rms > SCALE_EXPLAINS * fit.rms:
        return (
            f"the datum pairs of {name} do not belong together: placed by them its points are "
            f"{fit.rms:.2f} mm (RMS) off, and no scale mends that",
            "Check that the pairs are in the same order, and the signs and axes of the coordinates",
        )
    hint = ""
    for factor, small, large in UNIT_RATIOS:
        if abs(fit.scale / factor - 1.0) <= SCALE_REFUSED:
            hint = f": {small}?"
        elif abs(fit.scale * factor - 1.0) <= SCALE_REFUSED:
            hint = f": {large}?"
    return (
        f"the datum points of {name} would fit best at {fit.scale:.4g} times its size{hint}",
        "Set the part's unit to the one it was exported in, or check the datum points; nothing "
        "is rescaled to fit",
    )


def check_datums(part: Part, place: Place, lines: LineMap, key: Key) -> None:
    """Refuse datum points of a part that lie farther outside it than it is large.

    Raises
    ------
    ProjectError
    """
    low, high = part.file_bounds
    size = float(np.linalg.norm(high - low))
    for number, pair in enumerate(place.datums):
        point = np.asarray(pair.part)
        off = float(np.linalg.norm(np.maximum(0.0, np.maximum(low - point, point - high))))
        if off > size:
            _refuse(
                lines,
                (*key, "datums", number),
                f"datum point {number + 1} of {part.name} lies {off:.2f} mm outside the part, "
                "farther than the part is large",
                "Give it in mm, in the axes of the part's own file",
            )


def refined(
    part: Part, entry: RefineEntry, known: Mapping[str, Part], lines: LineMap, key: Key
) -> Part:
    """A part laid on another by chosen patches.

    Parameters
    ----------
    part : Part
        As first placed.
    entry : RefineEntry
    known : mapping of Part
        The parts placed before it, by name.
    lines : LineMap
    key : Key
        Of the ``refine`` table.

    Raises
    ------
    ProjectError
        The other part is not placed yet, or the patches do not hold the part.
    """
    other = known.get(entry.to)
    if other is None or other.name == part.name:
        circle = _circle(lines, key, part.name, entry.to)
        if circle:
            _refuse(
                lines,
                (*key, "to"),
                f"{part.name} is to be laid on itself: {' on '.join([part.name, *circle])}",
                "One of them must be placed on its own: take out its refine",
            )
        _refuse(
            lines,
            (*key, "to"),
            f"{part.name} is to be laid on {entry.to!r}, which is not placed before it",
            f"Known here: {', '.join(known) or 'none'}; list that part first",
        )
    corners, normals = _corners(part)
    chosen = [_inside(patch, corners) for patch in entry.patches]
    try:
        found = refine(
            [corners[inside] for inside in chosen],
            [normals[inside] for inside in chosen],
            other.tree,
            within=entry.within,
            trim=entry.trim,
            rounds=entry.rounds,
            bulge=float(np.median(np.maximum(other.sagitta.outward, other.sagitta.inward))),
            name=f"alignment of {part.name} on {other.name}",
        )
    except InputError as error:
        _refuse(lines, key, f"{part.name}: {error.what}", error.remedy, error)
    place = np.eye(4) if part.place is None else part.place
    first = part.alignments[0].fit if part.alignments else None
    return replace(
        part,
        vertices=apply(found.matrix, part.vertices),
        place=found.matrix @ place,
        alignments=(replace(found.alignment, fit=first, laid=found), *other.alignments),
    )


def _circle(lines: LineMap, key: Key, name: str, to: str) -> list[str]:
    """The parts that ``to`` is laid on, one on the next, if they lead back to ``name``."""
    listed = list(lines.value(("part",)) or [])
    if key[0] == "vehicle":
        listed += list(lines.value((*key[:2], "part")) or [])
    on = {row.get("name"): (row.get("refine") or {}).get("to") for row in listed}
    way = [to]
    while way[-1] != name and len(way) <= len(on):
        following = on.get(way[-1])
        if following is None:
            return []
        way.append(str(following))
    return way if way[-1] == name else []


def _corners(part: Part) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners of a part's triangles, and the mean of the normals there, by area."""
    a, b, c = (part.triangles[:, k] for k in range(3))
    normal = np.cross(b - a, c - a)
    total = np.zeros_like(part.vertices)
    for k in range(3):
        np.add.at(total, part.faces[:, k], normal)
    used = np.unique(part.faces)
    length = np.linalg.norm(total[used], axis=1)
    return part.vertices[used], total[used] / np.where(length > 0.0, length, 1.0)[:, None]


def _inside(patch: PatchEntry, points: NDArray[np.float64]) -> NDArray[np.bool_]:
    if patch.at is not None and patch.radius is not None:
        off = points - np.asarray(patch.at)
        return np.asarray(np.linalg.norm(off, axis=1) <= patch.radius)
    inside = (points >= np.asarray(patch.low)) & (points <= np.asarray(patch.high))
    return np.asarray(inside.all(axis=1))


def _refuse(
    lines: LineMap, key: Key, what: str, remedy: str, cause: InputError | None = None
) -> NoReturn:
    ref = lines.entry(key)
    raise ProjectError(
        what, remedy=remedy, file=lines.file, line=ref.line, entry=ref.entry
    ) from cause
