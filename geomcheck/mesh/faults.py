"""What is wrong with a mesh as plain counts, and a place where it can be seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.part import Part
from geomcheck.mesh.soundness import Soundness


def fault_counts(sound: Soundness) -> dict[str, int]:
    """How many faults of each kind there are, for a finding's details."""
    return {
        "boundary_edges": sound.boundary_edges,
        "outlines": sound.holes,
        "crowded_edges": sound.crowded_edges,
        "clashing_edges": sound.clashing_edges,
        "repeated": sound.duplicates,
        "zero_area": sound.zero_area,
        "stray_bodies": sound.stray_bodies,
        "doubled_bodies": sound.doubled_bodies,
    }


def fault_place(part: Part) -> NDArray[np.float64]:
    """(3,) a point of the part (mm, housing frame) where its worst fault is seen.

    The middle of an edge without a partner; else of one along which the triangles do not agree;
    else of the largest triangle, for a fault that all of the mesh has.
    """
    table = EdgeTable.of(part.faces, len(part.vertices))
    for wrong in (table.faces == 1, table.balance != 0):
        if wrong.any():
            ends = table.ends[int(np.flatnonzero(wrong)[0])]
            return np.asarray(part.vertices[ends].mean(axis=0))
    corners = part.triangles
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(corners[int(np.argmax((across**2).sum(axis=1)))].mean(axis=0))


def coarse_place(part: Part, limit: float) -> tuple[float, int] | None:
    """Greatest estimated sagitta (mm) and its triangle; None where declared or within a limit."""
    bulge = np.maximum(part.sagitta.outward, part.sagitta.inward)
    worst = int(np.argmax(bulge))
    if part.sagitta.source != "estimated" or bulge[worst] <= limit:
        return None
    return float(bulge[worst]), worst


def thinnest_place(part: Part) -> NDArray[np.float64]:
    """(3,) the middle of the triangle with the least area (mm, housing frame)."""
    corners = part.triangles
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(corners[int(np.argmin((across**2).sum(axis=1)))].mean(axis=0))
