"""Volume of material added and removed between two closed meshes, piece by piece.

The pieces come from manifold3d's boolean difference either way. Booleans fail on meshes that are
not clean, so this is a figure for the reader and no verdict rests on it. What it gives is held
against the difference of the two meshes' own volumes (the divergence theorem, exact for a closed
mesh): added less removed must be that difference, or nothing is told but the difference.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.part import Part

FloatArray: TypeAlias = NDArray[np.float64]

#: Share of a part's volume by which the two ways of taking the difference may disagree.
AGREE = 1e-6


@dataclass(frozen=True, eq=False)
class Lump:
    """A piece of material that is in one revision only.

    Parameters
    ----------
    volume : float
        mm3; positive where it was added, negative where it was removed.
    points : (n, 3) float64
        Corners of its surface.
    """

    volume: float
    points: FloatArray


def volume_of(part: Part) -> float:
    """Volume of a closed part, mm3, by the divergence theorem about its middle."""
    corners = part.triangles - part.bounds.mean(axis=0)
    return float(np.linalg.det(corners).sum()) / 6.0


def lumps(old: Part, new: Part) -> tuple[tuple[Lump, ...] | None, str]:
    """Pieces added and removed, or None and the reason why they are not told.

    Parameters
    ----------
    old, new : Part
        Closed, in one frame.
    """
    solids = []
    for part in (old, new):
        if part.soundness.doubled_bodies:
            return None, "a mesh counts material twice"
        solid = _solid(part)
        if isinstance(solid, str):
            return None, f"the boolean does not accept a mesh ({solid})"
        solids.append(solid)
    was, now = solids
    found = []
    for sign, difference in ((1.0, now - was), (-1.0, was - now)):
        if (trouble := difference.status().name) != "NoError":
            return None, f"the boolean failed ({trouble})"
        for piece in difference.decompose():
            corners = np.asarray(piece.to_mesh64().vert_properties, dtype=np.float64)[:, :3]
            if len(corners):
                found.append(Lump(sign * float(piece.volume()), corners))
    exact = volume_of(new) - volume_of(old)
    size = max(abs(volume_of(new)), abs(volume_of(old)))
    if abs(sum(lump.volume for lump in found) - exact) > AGREE * size:
        return None, "the boolean does not agree with the difference of the two volumes"
    return tuple(found), ""


def _solid(part: Part) -> Any:
    """The part as manifold3d keeps it, or the word for why it cannot."""
    import manifold3d

    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(part.vertices),
        tri_verts=np.ascontiguousarray(part.faces, dtype=np.uint64),
    )
    solid = manifold3d.Manifold(mesh)
    trouble = solid.status().name
    return solid if trouble == "NoError" else trouble
