"""What changed between two revisions of a mesh: the deviation both ways, and the places that moved.

A facet counts as moved where it lies off the other revision by more than the noise band: what both
meshes may stand off the true surface (sagitta) and what their coordinates are rounded to (float32,
as STL keeps them). Moved facets are cut into pieces no longer than a grain; pieces of either
revision that touch, or of which one lies over the other, make up one region.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Quantity
from geomcheck.mesh.bodies import resolution
from geomcheck.mesh.deviation import Directed, directed_deviation
from geomcheck.mesh.deviation_patch import cut_patch, grain_of
from geomcheck.mesh.deviation_pieces import areas_of
from geomcheck.mesh.deviation_regions import Region, between, find_regions, sums, volume_quantity
from geomcheck.mesh.deviation_volume import Lump, lumps, volume_of
from geomcheck.mesh.part import Part

FloatArray: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ShapeChange:
    """Two revisions of one part.

    Parameters
    ----------
    greatest : Quantity
        The greater of both directed deviations, mm.
    forward, back : Directed
        Old from new, and new from old.
    at : (3,) float64
    mean : Quantity
        Over the area of both, mm.
    band : float
        Greatest noise band of a facet, mm.
    regions : tuple of Region
        Greatest change of material first.
    motion : (4, 4) float64 or None
        The rigid motion, where the new part is the old one moved as a whole.
    volume : Quantity or None
        New less old, mm3; None where a mesh does not close.
    added, removed : Quantity or None
        mm3, of all regions and all that lies within the band.
    note : str
        Why something is not told; else empty.
    """

    greatest: Quantity
    forward: Directed
    back: Directed
    at: FloatArray
    mean: Quantity
    band: float
    regions: tuple[Region, ...]
    motion: FloatArray | None
    volume: Quantity | None
    added: Quantity | None
    removed: Quantity | None
    note: str = ""


def shape_change(old: Part, new: Part) -> ShapeChange:
    """Compare two revisions of one part, both in the housing frame.

    Parameters
    ----------
    old, new : Part
    """
    rough = [_roughness(part) for part in (old, new)]
    near = [float(np.quantile(r, 0.99)) for r in rough]
    forward = directed_deviation(old, new.tree, band=rough[0] + near[1], faces=new.faces)
    back = directed_deviation(new, old.tree, band=rough[1] + near[0], faces=old.faces)
    bands = [rough[0] + rough[1][forward.facing], rough[1] + rough[0][back.facing]]
    far = max((forward, back), key=lambda d: d.low)
    high = max(forward.high, back.high)
    greatest = between("greatest deviation", far.low, high)
    area = forward.area + back.area
    mean = [
        sum(d.area * getattr(d, name) for d in (forward, back)) / area
        for name in ("mean_low", "mean", "mean_high")
    ]
    closed = old.closed and new.closed
    moved = [d.sampled > band for d, band in ((forward, bands[0]), (back, bands[1]))]
    motion = _motion(old, new)
    volume = added = removed = None
    regions: tuple[Region, ...] = ()
    note = "" if closed else "a mesh does not close: no volumes, and no inside and outside"
    pieces: tuple[Lump, ...] | None = None
    if closed:
        slack = float((areas_of(old.triangles)[moved[0]] * bands[0][moved[0]]).sum())
        slack += float((areas_of(new.triangles)[moved[1]] * bands[1][moved[1]]).sum())
        volume = volume_quantity("change of volume", volume_of(new) - volume_of(old), slack)
        pieces, why = lumps(old, new)
        if pieces is None:
            note = f"added and removed are not told apart: {why}"
        else:
            added, removed = sums(pieces, slack)
    if motion is None:
        grain = grain_of(old, new, moved)
        patches = [
            cut_patch(old, new, forward, moved[0], bands[0], grain, closed, buried=1.0),
            cut_patch(new, old, back, moved[1], bands[1], grain, closed, buried=-1.0),
        ]
        regions = find_regions(old, new, patches, grain, pieces)
    return ShapeChange(
        greatest=greatest,
        forward=forward,
        back=back,
        at=far.at,
        mean=Quantity("mean deviation", mean[1], "mm", mean[0], mean[2]),
        band=float(max(bands[0].max(), bands[1].max())),
        regions=regions,
        motion=motion,
        volume=volume,
        added=added,
        removed=removed,
        note=note,
    )


def same_shape(old: Part, new: Part) -> bool:
    """Whether both have the same corners and facets in the same place, to the last bit."""
    return (
        old.vertices.shape == new.vertices.shape
        and old.faces.shape == new.faces.shape
        and bool(np.array_equal(old.vertices, new.vertices))
        and bool(np.array_equal(old.faces, new.faces))
    )


def _roughness(part: Part) -> FloatArray:
    """What each facet may stand off the true surface, mm."""
    return np.maximum(part.sagitta.outward, part.sagitta.inward) + resolution(part.vertices)


def _motion(old: Part, new: Part) -> FloatArray | None:
    """Rigid motion that takes the old part's corners to the new one's, where there is one.

    Corner by corner; the best rotation by W. Kabsch, "A solution for the best rotation to relate
    two sets of vectors", Acta Crystallographica A32 (1976).
    """
    if old.vertices.shape != new.vertices.shape or not np.array_equal(old.faces, new.faces):
        return None
    a, b = old.vertices.mean(axis=0), new.vertices.mean(axis=0)
    u, _, v = np.linalg.svd((old.vertices - a).T @ (new.vertices - b))
    turn = v.T @ np.diag([1.0, 1.0, np.sign(np.linalg.det(v.T @ u.T))]) @ u.T
    left = np.linalg.norm((old.vertices - a) @ turn.T + b - new.vertices, axis=1).max()
    if left > 4.0 * max(resolution(old.vertices), resolution(new.vertices)):
        return None
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = turn, b - turn @ a
    return out
