"""The places that moved: patches of either revision that belong together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.finding import Quantity, Term
from geomcheck.mesh.deviation_patch import Patch, normals_of
from geomcheck.mesh.deviation_shift import Side, find_face, find_shift
from geomcheck.mesh.deviation_volume import Lump
from geomcheck.mesh.part import Part

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
How: TypeAlias = Literal["moved", "face moved", "set out", "set in", "added", "removed", "reshaped"]

#: Cells reach this many grains: pieces that share a corner lie no farther apart.
_REACH = 1.4
#: Share of the area whose deviation must agree for a face to be set out or in as one.
_AGREE = 0.6
#: Points off each patch, and how far off, mm.
_SPOTS = 24
_OFF = 0.2


@dataclass(frozen=True, eq=False)
class Region:
    """A place that moved.

    Parameters
    ----------
    how : str
        ``moved`` as one by ``shift``; ``face moved``: a flat face of it by ``shift``; ``set out``
        or ``set in`` all round, by ``offset``; ``added`` or ``removed`` material; ``reshaped``:
        some of both.
    area : float
        Of the new surface that moved, or of the old one where nothing new is there, mm2.
    greatest : Quantity
        Greatest deviation, mm.
    at : (3,) float64
        Where that is.
    shift : (3,) float64 or None
        From old to new, mm; to ``band``.
    face : float or None
        Area of the flat face that moved, mm2.
    offset : float or None
        Median deviation along the normal, mm, outwards positive; None for meshes that do not
        close.
    band : float
        Noise band here, mm.
    added, removed : Quantity or None
        mm3; None where they could not be told apart.
    low, high : (3,) float64
        Box of both patches.
    middle : (3,) float64
        Of the patches' area.
    spots : ((k, 3) float64, (j, 3) float64)
        Points just off the old patch and the new one, outside them: where to look.
    """

    how: How
    area: float
    greatest: Quantity
    at: FloatArray
    shift: FloatArray | None
    face: float | None
    offset: float | None
    band: float
    added: Quantity | None
    removed: Quantity | None
    low: FloatArray
    high: FloatArray
    middle: FloatArray
    spots: tuple[FloatArray, FloatArray]


def between(name: str, low: float, high: float) -> Quantity:
    """A greatest distance that was found, and what bounds it, mm."""
    terms = (Term("search", 0.0, high - low, "bound over all of both surfaces"),)
    return Quantity(name, low, "mm", low, high, terms)


def volume_quantity(name: str, value: float, slack: float) -> Quantity:
    """A volume (mm3) with what the chord error may make of it."""
    term = Term("chord error", slack, slack, "moved area times noise band")
    return Quantity.from_terms(name, value, "mm3", (term,))


def sums(pieces: tuple[Lump, ...] | list[Lump], slack: float) -> tuple[Quantity, Quantity]:
    """Volume added and volume removed, mm3, each with the slack."""
    up = sum(lump.volume for lump in pieces if lump.volume > 0.0)
    down = -sum(lump.volume for lump in pieces if lump.volume < 0.0)
    found = []
    for name, value in (("added", up), ("removed", down)):
        # No less than none at all.
        term = Term("chord error", min(slack, value), slack, "moved area times noise band")
        found.append(Quantity.from_terms(f"volume {name}", value, "mm3", (term,)))
    return found[0], found[1]


def _label(patches: list[Patch], grain: float) -> IntArray:
    """Region of each piece, old ones first."""
    points = np.concatenate([patch.points for patch in patches])
    count = len(points)
    if count == 0:
        return np.zeros(0, dtype=np.int64)
    cells, cell_of = np.unique(
        np.floor(points / (_REACH * grain)).astype(np.int64), axis=0, return_inverse=True
    )
    cell_of = cell_of.reshape(-1)
    # Cells that touch, by a tree over their whole-number places.
    pairs = cKDTree(cells).query_pairs(1.8, output_type="ndarray")
    links = [pairs.astype(np.int64)]
    starts = (0, len(patches[0].points))
    for k, patch in enumerate(patches):
        other = patches[1 - k]
        if not len(patch.points) or not len(other.points):
            continue
        # A piece belongs with what it lies over, as far as that moved too.
        gap, number = cKDTree(other.points).query(patch.feet)
        rows = np.flatnonzero(gap <= _REACH * grain)
        links.append(
            np.column_stack(
                [cell_of[starts[k] + rows], cell_of[starts[1 - k] + number[rows]]]
            ).astype(np.int64)
        )
    joined = np.concatenate(links)
    graph = coo_array(
        (np.ones(len(joined), dtype=np.int8), (joined[:, 0], joined[:, 1])),
        shape=(len(cells), len(cells)),
    )
    _, label = connected_components(graph, directed=False)
    return np.asarray(label[cell_of], dtype=np.int64)


def find_regions(
    old: Part,
    new: Part,
    patches: list[Patch],
    grain: float,
    pieces: tuple[Lump, ...] | None,
) -> tuple[Region, ...]:
    """Put pieces that belong together into regions, greatest change of material first.

    Parameters
    ----------
    old, new : Part
    patches : list of Patch
        Of the old part and of the new one.
    grain : float
        Longest side of a piece, mm.
    pieces : tuple of Lump or None
        Material added and removed, to be shared out; None where that is not known.
    """
    label = _label(patches, grain)
    if len(label) == 0:
        return ()
    cut = len(patches[0].points)
    labels = (label[:cut], label[cut:])
    owned: dict[int, list[Lump]] = {}
    if pieces is not None:
        everything = np.concatenate([patch.points for patch in patches])
        tree = cKDTree(everything)
        for lump in pieces:
            gap, near = tree.query(lump.points)
            owned.setdefault(int(label[near[int(gap.argmin())]]), []).append(lump)
    normals = [normals_of(part.triangles) for part in (old, new)]
    found = []
    for number in range(int(label.max()) + 1):
        both = [patch.only(own == number) for patch, own in zip(patches, labels, strict=True)]
        lumps_here = owned.get(number, []) if pieces is not None else None
        found.append(_region(both, (old, new), normals, lumps_here))
    found.sort(key=lambda r: (-_weight(r), tuple(r.at)))
    return tuple(found)


def _weight(region: Region) -> float:
    if region.added is None or region.removed is None:
        return region.area * region.greatest.value
    return region.added.value + region.removed.value


def _region(
    both: list[Patch],
    parts: tuple[Part, Part],
    normals: list[FloatArray],
    here: list[Lump] | None,
) -> Region:
    old, new = both
    distance = np.concatenate([old.distance, new.distance])
    area = np.concatenate([old.areas, new.areas])
    band = float(np.average(np.concatenate([old.band, new.band]), weights=area + 1e-300))
    sign = np.concatenate([old.sign, new.sign])
    points = np.concatenate([old.points, new.points])
    corners = np.concatenate([old.corners, new.corners])
    far = int(distance.argmax())
    slack = float((area * np.concatenate([old.band, new.band])).sum())
    added = removed = None
    if here is not None:
        added, removed = sums(here, slack)
    there = Side(new.points, new.normals, new.areas, parts[0].tree, normals[0])
    here_before = Side(old.points, old.normals, old.areas, parts[1].tree, normals[1])
    shift = find_shift(there, here_before)
    how: How = "reshaped"
    vector = face = None
    known = bool(sign.any())
    offset = _median(distance * sign, area) if known else None
    fits = max(band, 1e-6)
    if shift is not None and np.linalg.norm(shift.vector) > band and shift.left <= fits:
        how, vector = "moved", shift.vector
    elif (flat := find_face(there, here_before, fits)) is not None:
        how, vector, face = "face moved", flat.vector, flat.area
    elif offset is not None:
        alike = np.abs(distance * sign - offset) <= fits
        if area[alike].sum() >= _AGREE * area.sum():
            how = "set out" if offset > 0.0 else "set in"
        elif (sign >= 0.0).all():
            how = "added"
        elif (sign <= 0.0).all():
            how = "removed"
    top = float(max(old.most.max(initial=0.0), new.most.max(initial=0.0)))
    return Region(
        how=how,
        area=float(new.areas.sum()) or float(old.areas.sum()),
        greatest=between("greatest deviation", float(distance[far]), top),
        at=points[far],
        shift=vector,
        face=face,
        offset=offset,
        band=band,
        added=added,
        removed=removed,
        low=corners.reshape(-1, 3).min(axis=0),
        high=corners.reshape(-1, 3).max(axis=0),
        middle=np.average(points, axis=0, weights=area + 1e-300),
        spots=(_spots(old), _spots(new)),
    )


def _spots(patch: Patch) -> FloatArray:
    """Up to ``_SPOTS`` points off a patch, evenly through its pieces."""
    step = max(1, len(patch.points) // _SPOTS)
    return np.asarray((patch.points + _OFF * patch.normals)[::step][:_SPOTS])


def _median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values, kind="stable")
    sums = np.cumsum(weights[order])
    return float(values[order][int(np.searchsorted(sums, 0.5 * sums[-1]))])
