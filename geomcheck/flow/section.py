"""Plane sections of the parts round a duct: closed outlines, and the chains that do not close."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import sections as kernel
from geomcheck.mesh.tree import TriangleTree

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Two threads: more do not pay on the machines this was measured on.
THREADS = 2
#: Planes cut in one call; bounds the memory of a batch.
_BATCH = 16
#: Lengths below this share of the section's size are rounding, not geometry.
_ROUNDING = 1e-11


class Surface:
    """A part as a section needs it: vertices and faces, so that edges have names.

    Parameters
    ----------
    vertices : (n, 3) float
        mm. Vertices with equal coordinates are one vertex; nothing else is joined.
    faces : (m, 3) int
    name : str
    tree : TriangleTree, optional
        Over ``vertices[faces]``, if it was built already.
    closed : bool, optional
        Whether the whole mesh closes; found from its edges when not given and needed.
    outward, inward : (m,) float, optional
        mm by which the true surface may stand outside and inside each facet.

    Raises
    ------
    InputError
        No triangles, or a corner that is not finite.
    """

    def __init__(
        self,
        vertices: Any,
        faces: Any,
        name: str = "",
        *,
        tree: TriangleTree | None = None,
        closed: bool | None = None,
        outward: FloatArray | None = None,
        inward: FloatArray | None = None,
    ) -> None:
        self.name = name
        self.vertices: FloatArray = np.ascontiguousarray(vertices, dtype=np.float64)
        self.faces: IntArray = np.ascontiguousarray(faces, dtype=np.int64)
        if len(self.vertices) > 0.75 * len(self.faces):
            self._join_equal()
        self.tree = tree if tree is not None else TriangleTree(self.vertices[self.faces])
        self._closed = closed
        zeros = np.zeros(len(self.faces))
        self.outward = zeros if outward is None else np.asarray(outward, dtype=np.float64)
        self.inward = zeros if inward is None else np.asarray(inward, dtype=np.float64)

    @classmethod
    def of(cls, shape: Any, name: str = "") -> Surface:
        """Surface of a ``Surface``, a placed ``Part``, a ``trimesh.Trimesh`` or triangles.

        Triangles have the shape (n, 3, 3). A part's tree, class and sagitta are taken over.
        """
        if isinstance(shape, Surface):
            return shape
        if hasattr(shape, "sagitta"):
            out, inn = shape.sagitta.outward, shape.sagitta.inward
            known: dict[str, Any] = {"closed": shape.closed, "outward": out, "inward": inn}
            return cls(shape.vertices, shape.faces, shape.name, tree=shape.tree, **known)
        if hasattr(shape, "faces"):
            return cls(shape.vertices, shape.faces, name)
        triangles = np.asarray(shape, dtype=np.float64)
        if triangles.ndim != 3 or triangles.shape[1:] != (3, 3):
            raise InputError(f"triangles must have the shape (n, 3, 3), not {triangles.shape}")
        return cls(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3), name)

    def _join_equal(self) -> None:
        plain = self.vertices + 0.0  # -0.0 and 0.0 are the same place
        rows = plain.view(np.dtype((np.void, 24))).ravel()
        _, first, number = np.unique(rows, return_index=True, return_inverse=True)
        self.vertices = np.ascontiguousarray(plain[first])
        self.faces = np.ascontiguousarray(number.reshape(-1)[self.faces])

    @cached_property
    def closed(self) -> bool:
        """Whether every edge is run as often one way as the other."""
        if self._closed is not None:
            return self._closed
        f = self.faces
        a = f.ravel()
        b = f[:, [1, 2, 0]].ravel()
        n = len(self.vertices)
        return bool(np.array_equal(np.sort(a * n + b), np.sort(b * n + a)))

    def normals(self, triangles: IntArray) -> FloatArray:
        """(k, 3) unit normals of some triangles; zero where a triangle has no area."""
        p = self.vertices[self.faces[triangles]]
        n = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
        return np.asarray(n / np.maximum(np.linalg.norm(n, axis=1), 1e-300)[:, None])


@dataclass(frozen=True, eq=False)
class Section:
    """The outlines of some parts on one plane, in the plane's (x, y) about the path point.

    Parameters
    ----------
    frame : (12,) float64
        Origin, u, v, normal.
    lines : (k, 4) float64
        Segments x0 y0 x1 y1 of the closed loops, loop by loop, material on the left.
    triangle : (k,) int64
        The triangle of its part that each segment lies on, in the caller's order.
    offsets : (c + 1,) int64
        Where each loop's segments begin.
    part : (c,) int64
        Number of the surface each loop belongs to.
    area, length : (c,) float64
        mm2, positive with the material inside; mm.
    box : (c, 4) float64
        xmin ymin xmax ymax.
    open_lines : (j, 4) float64
        Segments of the chains that do not close, in no order.
    open_part : (j,) int64
        Number of the surface each of them belongs to.
    flat : int
        Triangles that lie in the plane within the resolution of the file.
    size : float
        Greatest coordinate, mm; the measure of rounding.
    """

    frame: FloatArray
    lines: FloatArray
    triangle: IntArray
    offsets: IntArray
    part: IntArray
    area: FloatArray
    length: FloatArray
    box: FloatArray
    open_lines: FloatArray
    open_part: IntArray
    flat: int
    size: float

    def without(self, parts: Sequence[int]) -> Section:
        """The same section with some surfaces left out."""
        keep = ~np.isin(self.part, parts)
        segments = np.repeat(keep, np.diff(self.offsets))
        lengths = np.diff(self.offsets)[keep]
        stay = ~np.isin(self.open_part, parts)
        return Section(
            self.frame,
            self.lines[segments],
            self.triangle[segments],
            np.concatenate([[0], np.cumsum(lengths)]),
            self.part[keep],
            self.area[keep],
            self.length[keep],
            self.box[keep],
            self.open_lines[stay],
            self.open_part[stay],
            self.flat,
            self.size,
        )

    def to_space(self, xy: FloatArray) -> FloatArray:
        """(k, 3) points in mm of the housing frame, from (k, 2) points of the plane."""
        f = self.frame
        return np.asarray(f[0:3] + xy[:, :1] * f[3:6] + xy[:, 1:2] * f[6:9])


def cut(surfaces: Sequence[Surface], frames: FloatArray, *, flush: float = 0.0) -> list[Section]:
    """Sections of surfaces on many planes, exact on the facets.

    A vertex on a plane counts as in front of it (see ``geomcheck.kernels.sections``): a plane
    that lies in a flat face of the part gives the section just behind that face.

    Parameters
    ----------
    surfaces : sequence of Surface
    frames : (m, 12) float
        Origin, u, v, normal of each plane; u x v = normal.
    flush : float
        Triangles wholly within this distance (mm) of a plane are counted in ``Section.flat``.

    Returns
    -------
    list of Section
        In the order of ``frames``; the same on any number of threads.

    Examples
    --------
    >>> import trimesh
    >>> box = Surface.of(trimesh.creation.box((10, 20, 30)))
    >>> plane = np.array([[0, 0, 3, 1, 0, 0, 0, 1, 0, 0, 0, 1]], dtype=float)
    >>> cut([box], plane)[0].area
    array([200.])
    """
    frames = np.ascontiguousarray(frames, dtype=np.float64)
    batches = [frames[i : i + _BATCH] for i in range(0, len(frames), _BATCH)]
    if len(batches) < 2:
        return [section for batch in batches for section in _cut(surfaces, batch, flush)]
    with ThreadPoolExecutor(THREADS) as pool:
        done = pool.map(lambda batch: _cut(surfaces, batch, flush), batches)
        return [section for batch in done for section in batch]


def _cut(surfaces: Sequence[Surface], frames: FloatArray, flush: float) -> list[Section]:
    raw: list[tuple[Any, ...]] = []
    base = 0
    flat = np.zeros(len(frames), np.int64)
    for surface in surfaces:
        offsets, names, points, owner, lying = _segments(surface, frames, base, flush)
        raw.append((offsets, names, points, owner))
        flat += lying
        base += len(surface.vertices)
    out = []
    for i, frame in enumerate(frames):
        pieces = [tuple(a[offsets[i] : offsets[i + 1]] for a in arrays) for offsets, *arrays in raw]
        names, points, owner = (
            pieces[0] if len(pieces) == 1 else tuple(map(np.concatenate, zip(*pieces, strict=True)))
        )
        number = np.repeat(np.arange(len(pieces)), [len(p[0]) for p in pieces])
        out.append(_join(frame, names, points, owner, number, int(flat[i])))
    return out


def _segments(
    surface: Surface, frames: FloatArray, base: int, flush: float
) -> tuple[IntArray, IntArray, FloatArray, IntArray, IntArray]:
    tree = surface.tree
    room = 1024 + len(frames) * int(8.0 * np.sqrt(len(tree)))
    while True:
        offsets = np.zeros(len(frames) + 1, np.int64)
        flat = np.zeros(len(frames), np.int64)
        names = np.empty((room, 2), np.int64)
        points = np.empty((room, 4))
        owner = np.empty(room, np.int64)
        count = kernel.cut(
            tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, surface.faces, base,
            frames, flush, offsets, names, points, owner, flat,
        )  # fmt: skip
        if count <= room:
            return offsets, names, points, owner, flat
        room = int(count)


def _join(
    frame: FloatArray,
    names: IntArray,
    points: FloatArray,
    owner: IntArray,
    number: IntArray,
    flat: int,
) -> Section:
    turn, offsets, closed = kernel.chain(names)
    size = max(float(np.abs(frame[:3]).max()), float(np.abs(points).max()) if len(points) else 0.0)
    kept, lines, bounds, area, length, box = kernel.measure(points, turn, offsets, _ROUNDING * size)
    part = number[turn[offsets[:-1]]]
    segments = np.diff(bounds)
    whole = closed & (segments >= 3)
    loose = turn[np.repeat(~closed, np.diff(offsets))]
    if not whole.all():
        stay = np.repeat(whole, segments)
        kept, lines = kept[stay], lines[stay]
        bounds = np.concatenate([[0], np.cumsum(segments[whole])])
    return Section(
        frame, lines, owner[kept], bounds, part[whole], area[whole], length[whole], box[whole],
        points[loose], number[loose], flat, size,
    )  # fmt: skip
