"""Colours on surfaces: the gap to another part, and what stands inside a tool."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.kernels import raster
from geomcheck.mesh.query import point_distance
from geomcheck.mesh.tree import TriangleTree
from geomcheck.reports import palette
from geomcheck.reports.still.camera import Camera, FloatArray
from geomcheck.reports.still.paint import FloatImage, IntImage
from geomcheck.reports.still.tone import Image, Mask

#: The gap is measured at every such pixel of the enlarged picture, across and down.
_STEP = 6
#: How much of the light is left on coloured surfaces: dark must not look like near.
_LIGHT = 0.4


@dataclass(frozen=True, eq=False)
class GapTint:
    """Colours our surfaces by their distance to the part to blame, 0 to ``palette.GAP_END`` mm.

    Parameters
    ----------
    labels : sequence of int
        Layers to colour.
    tree : TriangleTree
        The part the gap is measured to.
    name : str
        Its name.
    camera : Camera
    """

    labels: Sequence[int]
    tree: TriangleTree
    name: str
    camera: Camera

    def __call__(self, image: Image, depth: FloatImage, label: IntImage) -> None:
        """Multiply the gap's colour into the shaded surface."""
        coarse = label[_STEP // 2 :: _STEP, _STEP // 2 :: _STEP]
        rows, columns = np.nonzero(np.isin(coarse, list(self.labels)))
        if len(rows) == 0:
            return
        at = (rows * _STEP + _STEP // 2, columns * _STEP + _STEP // 2)
        points = unproject(self.camera, at, depth)
        gap = np.full(coarse.shape, np.nan)
        gap[rows, columns] = point_distance(self.tree, points, palette.GAP_END).distance
        tinted = np.zeros(int(label.max()) + 1, dtype=np.bool_)
        tinted[[k for k in self.labels if k < len(tinted)]] = True
        raster.tint(
            label,
            tinted,
            gap <= palette.GAP_END,
            palette.gap_colours(gap.ravel()).reshape(*gap.shape, 3),
            _STEP,
            np.array(palette.OURS, dtype=np.float32),
            np.float32(_LIGHT),
            image,
        )


@dataclass(frozen=True, eq=False)
class ToolTint:
    """Colours what stands inside a tool as overlap.

    Parameters
    ----------
    at, axis : (3,) float
        Where the tool rests, mm, and the unit vector along it.
    profile : (rows, 3) float
        From, to (along the axis), diameter.
    camera : Camera
    """

    at: FloatArray
    axis: FloatArray
    profile: FloatArray
    camera: Camera

    def __call__(self, image: Image, depth: FloatImage, label: IntImage) -> None:
        """Recolour the pixels whose surface lies inside one of the tool's cylinders."""
        top, left, window = self._window(label)
        rows, columns = np.nonzero(window >= 0)
        rows, columns = rows + top, columns + left
        away = unproject(self.camera, (rows, columns), depth) - self.at
        along = away @ self.axis
        across = np.sqrt(np.clip(np.einsum("ij,ij->i", away, away) - along**2, 0.0, None))
        inside: Mask = np.zeros(len(rows), dtype=np.bool_)
        for begin, end, diameter in self.profile:
            # A tool rests on faces: only what is inside by more than a drawn line counts.
            inside |= (along > begin + 0.1) & (along < end - 0.1) & (across < 0.5 * diameter - 0.1)
        image[rows[inside], columns[inside]] = palette.OVERLAP

    def _window(self, label: IntImage) -> tuple[int, int, IntImage]:
        """First row and column of the part of the picture the tool can cover, and its labels."""
        height, width = label.shape
        ends = self.at + self.axis * np.array(
            [[self.profile[:, 0].min()], [self.profile[:, 1].max()]]
        )
        at, _ = self.camera.place(ends, width, height)
        reach = 0.5 * float(self.profile[:, 2].max()) * self.camera.scale(height) + 1.0
        low = np.clip(np.floor(at.min(axis=0) - reach), 0, (width, height)).astype(int)
        high = np.clip(np.ceil(at.max(axis=0) + reach), 0, (width, height)).astype(int)
        return int(low[1]), int(low[0]), label[low[1] : high[1], low[0] : high[0]]


def unproject(camera: Camera, at: tuple[np.ndarray, np.ndarray], depth: FloatImage) -> FloatArray:
    """(n, 3) points seen at these rows and columns, mm, housing frame."""
    rows, columns = at
    height, width = depth.shape
    scale = camera.scale(height)
    local = np.stack(
        [
            (columns + 0.5 - 0.5 * width) / scale,
            (rows + 0.5 - 0.5 * height) / scale,
            depth[rows, columns].astype(np.float64),
        ],
        axis=1,
    )
    return np.asarray(camera.centre + local @ camera.axes)
