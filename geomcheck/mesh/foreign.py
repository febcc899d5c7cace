"""3MF through trimesh, with its errors told as ours and its losses found."""

from __future__ import annotations

import io
import logging
import struct
import warnings
import zipfile
import zlib
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import MeshFileError
from geomcheck.mesh.sniff import LARGEST

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: What readers of damaged files are known to raise; a warning counts as damage too.
_DAMAGE = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    BufferError,
    EOFError,
    ImportError,
    LookupError,
    MemoryError,
    NameError,
    OSError,
    RuntimeError,
    StopIteration,
    SyntaxError,
    TypeError,
    ValueError,
    Warning,
    struct.error,
    zipfile.BadZipFile,
    zlib.error,
)

#: Millimetres in each unit a 3MF may state (3MF core specification, ST_Unit).
UNITS_3MF = {
    "micron": 0.001,
    "millimeter": 1.0,
    "millimeters": 1.0,  # what trimesh puts where the file states none
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}


def read_3mf(file: Path, content: bytes) -> tuple[FloatArray, IntArray, float, list[str]]:
    """Vertices (in the file's unit), triangles, mm in its unit, and notes, of a 3MF file.

    Objects are placed as the file's build list says.

    Raises
    ------
    MeshFileError
        Damaged, or of an unknown unit.
    """
    scene = _load(file, content)
    points, faces, left_out = _join(file, scene)
    stated = {str(mesh.metadata.get("units", "")) for mesh in scene.geometry.values()}
    unit = stated.pop() if len(stated) == 1 else ""
    if unit not in UNITS_3MF:
        raise MeshFileError(
            f'the 3MF states the unknown unit "{unit}"', file=file, remedy="Export it again"
        )
    notes = []
    if left_out:
        notes.append(f"not in the file's build list, so left out: {', '.join(left_out)}")
    return points, faces, UNITS_3MF[unit], notes


def _refuse_bomb(file: Path, content: bytes) -> None:
    """An archive that unpacks to far more than it is is no part, and would fill the memory."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        size = sum(entry.file_size for entry in archive.infolist())
    if size > LARGEST:
        raise MeshFileError(
            f"the 3MF unpacks to {size / 1e9:.1f} GB; up to {LARGEST / 1e9:.0f} GB are read",
            file=file,
            remedy="It is damaged, or no part; export it again",
        )


def _load(file: Path, content: bytes) -> Any:
    import trimesh

    complaints = _Complaints()
    log = logging.getLogger("trimesh")
    log.addHandler(complaints)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            _refuse_bomb(file, content)
            loaded = trimesh.load(
                io.BytesIO(content), file_type="3mf", process=False, force="scene"
            )
        if complaints.said:
            raise ValueError(complaints.said[0])
    except _DAMAGE as error:
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise MeshFileError(
            f"the 3MF file cannot be read ({reason})",
            file=file,
            remedy="It is cut off or damaged; export it again, best as binary STL",
        ) from error
    finally:
        log.removeHandler(complaints)
    return loaded


class _Complaints(logging.Handler):
    """Keeps what trimesh only logs when it leaves something out."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the message."""
        self.said.append(record.getMessage())


def _join(file: Path, scene: Any) -> tuple[FloatArray, IntArray, list[str]]:
    """All placed geometry as one mesh, and the names of what is not placed."""
    points: list[FloatArray] = []
    faces: list[IntArray] = []
    total = 0
    used = set()
    for node in scene.graph.nodes_geometry:
        matrix, name = scene.graph[node]
        mesh = scene.geometry[name]
        used.add(name)
        corners = np.asarray(getattr(mesh, "faces", np.empty((0, 3))), dtype=np.int64)
        vertices = np.asarray(mesh.vertices, dtype=np.float64)
        if corners.size and (corners.min() < 0 or corners.max() >= len(vertices)):
            bad = int(np.flatnonzero(((corners < 0) | (corners >= len(vertices))).any(axis=1))[0])
            raise MeshFileError(
                f"a corner names a vertex that is not there (of {len(vertices)})",
                file=file,
                triangle=bad,
                remedy="The file is damaged; export it again",
            )
        if not np.array_equal(matrix, np.eye(4)):
            vertices = vertices @ matrix[:3, :3].T + matrix[:3, 3]
        points.append(vertices.reshape(-1, 3))
        faces.append(corners.reshape(-1, 3) + total)
        total += len(vertices)
    left_out = sorted(str(name) for name in set(scene.geometry) - used)
    if not points:
        return np.empty((0, 3)), np.empty((0, 3), dtype=np.int64), left_out
    return np.concatenate(points), np.concatenate(faces), left_out
