"""The public functions, each a thin door to the room that does the work.

``geomcheck`` itself gives them by name (``geomcheck.gap``) and loads this module on first use, so
that ``import geomcheck`` and ``geomcheck --help`` stay quick.
"""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geomcheck.errors import InputError
from geomcheck.fasten.reach import reach
from geomcheck.finding import Result
from geomcheck.fit.gap import measure_gap
from geomcheck.flow.survey import duct_area
from geomcheck.project.entries import MILLIMETRES

if TYPE_CHECKING:
    import trimesh

    from geomcheck.fit.state import Gap

__all__ = ["check", "duct_area", "gap", "reach", "read_mesh"]


def read_mesh(path: str | PathLike[str], unit: str) -> trimesh.Trimesh:
    """Read a mesh file, whole and unrepaired, in millimetres.

    Parameters
    ----------
    path : str or path
        STL (binary or ASCII), OBJ, PLY or 3MF.
    unit : {"mm", "cm", "m", "in"}
        Unit of the file's numbers: STL carries none.

    Returns
    -------
    trimesh.Trimesh
        Corners merged only where they are equal to the last bit; triangles in the file's order.

    Raises
    ------
    InputError
        The unit is not known, or the file cannot be used (a ``MeshFileError``, which names the
        triangle or line at fault).
    """
    import trimesh

    from geomcheck.mesh.read import read_mesh as read

    if unit not in MILLIMETRES:
        raise InputError(f"there is no unit {unit!r}", remedy=f"known: {', '.join(MILLIMETRES)}")
    raw = read(Path(path), MILLIMETRES[unit])
    return trimesh.Trimesh(raw.vertices, raw.faces, process=False)


def gap(a: Any, b: Any) -> Gap:
    """Least distance and state of two parts; see :func:`geomcheck.fit.gap.measure_gap`.

    Parameters
    ----------
    a, b : trimesh.Trimesh or (n, 3, 3) float
        In place, mm.

    Returns
    -------
    Gap
        With ``distance`` (mm), ``state`` (``apart``, ``touching``, ``overlapping``,
        ``a inside b``, ``b inside a``), the witness points ``point_a`` and ``point_b`` on
        ``triangle_a`` and ``triangle_b``, ``depth`` (mm, None unless they overlap) and
        ``quantity`` with the interval.
    """
    return measure_gap(a, b)


def check(project: str | PathLike[str]) -> Result:
    """Answer every question a project file asks: the gate as a call.

    Parameters
    ----------
    project : str or path
        The project file.

    Returns
    -------
    Result
        With ``findings`` and ``exit_code``.

    Raises
    ------
    InputError
        The project file or a mesh cannot be read.
    """
    from geomcheck import gate
    from geomcheck.project.load import load

    return gate.run(load(Path(project))).result
