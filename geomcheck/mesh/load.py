"""From a mesh file to a part in its place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.part import Part, Role
from geomcheck.mesh.placement import apply, check_rigid
from geomcheck.mesh.read import COARSE, read_mesh
from geomcheck.mesh.sagitta import Sagitta, estimate
from geomcheck.mesh.soundness import judge


def load_part(
    path: str | Path,
    *,
    name: str,
    role: Role = "neighbour",
    kind: str = "",
    factor: float | None = None,
    matrix: Any = None,
    sagitta: float | None = None,
) -> Part:
    """Read a mesh file, judge it and put it in its place.

    Whether the part is the right one, in the right unit, is asked by the check ``part-sound``,
    which needs what the project file says of it; nothing is rescaled here.

    Parameters
    ----------
    path : str or Path
    name, role, kind
        As in :class:`~geomcheck.mesh.part.Part`.
    factor : float, optional
        Millimetres in one unit of the file; left out as in
        :func:`~geomcheck.mesh.read.read_mesh`.
    matrix : (4, 4) float, optional
        Rigid placement from the file's axes (mm) to the housing's; left out, none.
    sagitta : float, optional
        Chord error the mesh was exported with, mm; left out, it is estimated.

    Raises
    ------
    MeshFileError
        The file cannot be used; see :func:`~geomcheck.mesh.read.read_mesh`.
    PlacementError
        ``matrix`` is not rigid.
    """
    place = None if matrix is None else check_rigid(matrix)
    raw = read_mesh(path, factor)
    edges = EdgeTable.of(raw.faces, len(raw.vertices))
    soundness = judge(raw.vertices, raw.faces, edges)
    if sagitta is None:
        bound = estimate(raw.vertices, raw.faces, soundness, edges)
    else:
        bound = Sagitta.declared(sagitta, len(raw.faces))
    if 2.0 * raw.rounding > COARSE:
        # Each coordinate is off by up to the rounding, a corner by up to sqrt(3) times that.
        bound = bound.widened(1.7320508 * raw.rounding)
    return Part(
        name=name,
        role=role,
        kind=kind,
        file=Path(path),
        vertices=raw.vertices if place is None else apply(place, raw.vertices),
        faces=raw.faces,
        soundness=soundness,
        sagitta=bound,
        place=place,
        notes=raw.notes,
    )
