"""Reading a mesh file: every triangle of it, in its order, in millimetres.

Corners are merged only where they are equal to the last bit (-0.0 counts as 0.0): a tolerance
would close cracks that are in the file and hide them. Triangles without area and repeated ones
are kept; ``geomcheck.mesh.soundness`` counts them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import MeshFileError
from geomcheck.kernels import merge as kernel
from geomcheck.mesh.sniff import SUFFIXES, Format, load_bytes, sniff

__all__ = ["SUFFIXES", "RawMesh", "read_mesh"]

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: No part lies further out (mm, 100 km): numbers beyond are damage.
FARTHEST = 1e8
#: Steps of float32 coarser than this (mm) are worth a note; reached about 16 m out.
COARSE = 1e-3


@dataclass(frozen=True, eq=False)
class RawMesh:
    """A mesh as its file gives it.

    Parameters
    ----------
    file : Path
    format : str
    vertices : (n, 3) float64
        mm, all different.
    faces : (m, 3) int64
        In the file's order.
    unit : float
        Millimetres in one unit of the file.
    rounding : float
        Largest distance (mm, per axis) between a corner and the number the file could hold for
        it: half a step of float32 at the farthest corner.
    notes : tuple of str
        What was met on the way and is no fault.
    """

    file: Path
    format: Format
    vertices: FloatArray
    faces: IntArray
    unit: float
    rounding: float
    notes: tuple[str, ...]

    @property
    def size(self) -> FloatArray:
        """(3,) bounding size in the file's axes, mm."""
        extent: FloatArray = self.vertices.max(axis=0) - self.vertices.min(axis=0)
        return extent


def read_mesh(path: str | Path, unit: float | None = None) -> RawMesh:
    """Read a mesh file.

    Parameters
    ----------
    path : str or Path
        STL (binary or ASCII), OBJ, PLY or 3MF.
    unit : float, optional
        Millimetres in one unit of the file (1.0, 10.0, 1000.0, 25.4). Left out, a 3MF's own unit
        counts and the numbers of all others are taken as they are.

    Raises
    ------
    MeshFileError
        The file is missing, is no mesh, is damaged, holds no triangle or a corner that is not
        finite, or states another unit than ``unit``.
    """
    file = Path(path)
    content = load_bytes(file)
    form = sniff(file, content)
    notes: list[str] = []
    scale = 1.0 if unit is None else float(unit)
    if not (np.isfinite(scale) and scale > 0.0):
        raise MeshFileError(f"{unit} is no unit", file=file, remedy="State it in mm, such as 25.4")
    if form in ("binary STL", "ASCII STL"):
        corners = _read_stl(file, content, form, notes)
        faces = np.arange(len(corners), dtype=np.int64).reshape(-1, 3)
    else:
        corners, faces, scale = _read_indexed(file, content, form, unit, scale, notes)
    del content
    if len(faces) == 0:
        raise MeshFileError(
            "there are no triangles in it", file=file, remedy="Export the part again"
        )
    corners, faces = _drop_unused(corners, faces, notes)
    reach = _check_finite(file, corners, faces, scale)
    vertices, faces = _merge(corners, faces)
    vertices *= scale
    rounding = 0.5 * float(np.spacing(np.float32(reach)))
    if 2.0 * rounding > COARSE:
        notes.append(
            f"the part lies up to {reach / 1000.0:.1f} m from the origin, where single precision "
            f"moves in steps of {2.0 * rounding:.4f} mm; export it near the origin"
        )
    return RawMesh(file, form, vertices, faces, scale, rounding, tuple(notes))


def _read_stl(file: Path, content: bytes, form: Format, notes: list[str]) -> NDArray[Any]:
    from geomcheck.mesh.stl import read_ascii, read_binary

    if form == "binary STL":
        if content[:5].lower() == b"solid":
            notes.append('a binary STL although it begins with "solid"')
        return read_binary(content)
    corners, solids = read_ascii(file, content)
    if solids > 1:
        notes.append(f"{solids} solids in one file, read as one part")
    return corners


def _read_indexed(
    file: Path, content: bytes, form: Format, unit: float | None, scale: float, notes: list[str]
) -> tuple[FloatArray, IntArray, float]:
    if form == "OBJ":
        from geomcheck.mesh.obj import read_obj

        points, faces, cut = read_obj(file, content)
    elif form == "PLY":
        from geomcheck.mesh.ply import read_ply

        points, faces, cut = read_ply(file, content)
    if form in ("OBJ", "PLY"):
        if cut:
            notes.append(f"{cut} faces of more than three corners cut into triangles")
        return points, faces, scale
    from geomcheck.mesh.foreign import read_3mf

    points, faces, own, more = read_3mf(file, content)
    notes.extend(more)
    if unit is not None and abs(own - scale) > 1e-9 * own:
        raise MeshFileError(
            f"the 3MF states a unit of {own:g} mm, the project {scale:g} mm",
            file=file,
            remedy="State the file's own unit for this part, or export it again",
        )
    return points, faces, own


def _drop_unused(
    corners: NDArray[Any], faces: IntArray, notes: list[str]
) -> tuple[NDArray[Any], IntArray]:
    """Leave out vertices no triangle uses, which indexed formats allow."""
    if len(corners) == 3 * len(faces):
        return corners, faces
    used = np.zeros(len(corners), dtype=bool)
    used[faces] = True
    if used.all():
        return corners, faces
    notes.append(f"{int((~used).sum())} vertices that no triangle uses left out")
    number = np.cumsum(used) - 1
    return corners[used], number[faces]


def _check_finite(file: Path, corners: NDArray[Any], faces: IntArray, scale: float) -> float:
    """Largest coordinate, mm; refuses corners that are not finite or absurdly far."""
    with np.errstate(invalid="ignore"):  # a signalling NaN
        reach = float(np.abs(corners).max()) * scale
        if reach <= FARTHEST:
            return reach
        distance: FloatArray = np.abs(corners.astype(np.float64)).max(axis=1) * scale
    bad_corner: NDArray[np.bool_] = ~(distance <= FARTHEST)
    bad = np.flatnonzero(bad_corner[faces].any(axis=1))
    first = int(bad[0])
    row = next(int(c) for c in faces[first] if bad_corner[c])
    place = ", ".join(f"{float(x):g}" for x in corners[row])
    if np.isfinite(distance[row]):
        what = f"a corner lies at ({place}), further than 100 km from the origin"
        remedy = "The file is damaged or its unit is wrong; export it again"
    else:
        what = f"a corner is not a finite number: ({place})"
        remedy = "Repair the part where it was drawn and export it again"
    if len(bad) > 1:
        what += f"; {len(bad)} triangles have such corners"
    raise MeshFileError(what, file=file, triangle=first, remedy=remedy)


def _merge(corners: NDArray[Any], faces: IntArray) -> tuple[FloatArray, IntArray]:
    """Vertices that differ in at least one bit, and the triangles between them."""
    rows = np.ascontiguousarray(corners) + corners.dtype.type(0.0)  # -0.0 becomes 0.0
    words = rows.view(np.uint32 if rows.dtype.itemsize == 4 else np.uint64)
    first, number = kernel.merge_equal(words)
    return rows[first].astype(np.float64), number[faces]
