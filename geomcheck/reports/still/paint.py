"""The scene as pixels: buffers from the raster kernel, then colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import raster
from geomcheck.reports import palette
from geomcheck.reports.still.camera import Camera, FloatArray
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.tone import Image, Mask, hatch, ink, mix, shade, wider

FloatImage: TypeAlias = NDArray[np.float32]
IntImage: TypeAlias = NDArray[np.int32]

#: Least angle between facets that is drawn as a line, degrees.
CREASE = 32.0
_NO_WINDING = np.zeros((0, 0), dtype=np.int16)


@dataclass(frozen=True, eq=False)
class Painted:
    """A picture of the scene.

    Parameters
    ----------
    image : (h, w, 3) uint8
    depth : (h, w) float32
        Of the opaque parts, mm from the camera's centre; inf where there is none.
    seen : tuple of (h, w) bool
        Where each layer shows, in the order of the layers.
    cut : (h, w) bool
        Where a cut face shows.
    overlap : bool
        Whether two opaque parts overlap in the cut.
    """

    image: Image
    depth: FloatImage
    seen: tuple[Mask, ...]
    cut: Mask
    overlap: bool


class Tint(Protocol):
    """Colours surfaces by where they are: the gap to another part, or the inside of a tool."""

    def __call__(self, image: Image, depth: FloatImage, label: IntImage) -> None:
        """Change ``image`` where ``label`` and ``depth`` say so."""


def paint(
    layers: Sequence[Layer],
    camera: Camera,
    width: int,
    height: int,
    *,
    cut: float | None = None,
    tint: Tint | None = None,
) -> Painted:
    """Draw layers.

    Opaque layers share one depth buffer. Each ghost keeps its own front surface only, so that a
    thin panel does not show twice; ghosts are blended by exact depth at each pixel.

    Parameters
    ----------
    layers : sequence of Layer
    camera : Camera
    width, height : int
        Pixels.
    cut : float or None
        Depth (mm from the camera's centre) in front of which everything is cut away.
    tint : Tint or None
        Changes the colour of opaque surfaces (not of cut faces) before lines are drawn.
    """
    canvas = _Canvas(layers, camera, width, height, -math.inf if cut is None else cut)
    canvas.draw_solids(tint)
    canvas.draw_ghosts()
    return Painted(
        canvas.image, canvas.depth, tuple(canvas.seen), canvas.label >= len(layers), canvas.overlap
    )


class _Canvas:
    """Buffers of one picture.

    Labels: a layer's number; count + number where it is cut open; twice the count where two cut
    faces overlap.
    """

    def __init__(
        self, layers: Sequence[Layer], camera: Camera, width: int, height: int, near: float
    ) -> None:
        self.layers = layers
        self.camera = camera
        self.near = near
        self.shape = (height, width)
        self.pixel = 1.0 / camera.scale(height)
        self.image: Image = np.full((height, width, 3), 255, dtype=np.uint8)
        self.depth: FloatImage = np.full(self.shape, np.inf, dtype=np.float32)
        self.label: IntImage = np.full(self.shape, -1, dtype=np.int32)
        self.seen: list[Mask] = [np.zeros((1, 1), dtype=np.bool_) for _ in layers]
        self.overlap = False

    def draw_solids(self, tint: Tint | None) -> None:
        """Draw the opaque layers."""
        count = len(self.layers)
        solids = [k for k in range(count) if self.layers[k].opacity >= 1.0]
        if not solids:
            return
        ids: IntImage = np.full(self.shape, -1, dtype=np.int32)
        windings: dict[int, NDArray[np.int16]] = {}
        total = 0
        for k in solids:
            windings[k] = self._draw(self.layers[k], total, self.depth, ids)
            total += len(self.layers[k].triangles)
        normals = np.concatenate([self._normals(self.layers[k]) for k in solids])
        lengths = [len(self.layers[k].triangles) for k in solids]
        owner = np.repeat(np.array(solids, dtype=np.int32), lengths)
        base = np.repeat(np.array([self.layers[k].colour for k in solids]), lengths, axis=0)
        raster.colour(ids, owner[:, None], self.label[..., None])
        raster.colour(ids, shade(base, normals), self.image)
        if tint is not None:
            tint(self.image, self.depth, self.label)
        inside = self._cap(windings, ids)
        crease = np.full(2 * count + 1, -2.0, dtype=np.float32)
        for k in solids:
            crease[k] = self._least(self.layers[k])
            self.seen[k] = (self.label == k) | inside.get(k, np.False_)
        marks = np.zeros(self.shape, dtype=np.uint8)
        jump = 0.008 * self.camera.half
        raster.outline(self.label, ids, self.depth, normals, crease, jump, self.pixel, marks)
        ink(self.image, marks == 1, 0.38)
        ink(self.image, wider(marks == 2), 0.85)

    def draw_ghosts(self) -> None:
        """Blend the translucent layers over what is drawn.

        Each is drawn in a window of its own, as most cover little of the picture.
        """
        windows: list[tuple[int, int, int, int, int]] = []
        depths: list[FloatImage] = []
        tones: list[Image] = []
        used = 0
        for k, layer in enumerate(self.layers):
            if layer.opacity >= 1.0:
                continue
            self.seen[k] = np.zeros(self.shape, dtype=np.bool_)
            height, width = self.shape
            corners, heights = self.camera.fixed(layer.triangles, width, height)
            top, left, rows, columns = self._window(corners)
            if rows <= 0 or columns <= 0:
                continue
            corners -= np.array([left, top]) * raster.SUB
            depth, tone = self._ghost(layer, corners, heights, (rows, columns))
            view = np.s_[top : top + rows, left : left + columns]
            self.seen[k][view] = depth < self.depth[view]
            windows.append((top, left, rows, columns, used))
            used += rows * columns
            depths.append(depth.ravel())
            tones.append(tone.reshape(-1, 4))
        if windows:
            raster.blend(
                np.array(windows),
                np.concatenate(depths),
                np.concatenate(tones),
                self.image,
                self.depth,
            )

    def _window(self, corners: NDArray[np.int64]) -> tuple[int, int, int, int]:
        """First row, first column, rows and columns of the pixels that corners span.

        Two pixels wider than the corners, for the lines drawn round them.
        """
        low = np.maximum(corners.min(axis=(0, 1)) // raster.SUB - 2, 0)
        high = np.minimum(corners.max(axis=(0, 1)) // raster.SUB + 3, self.shape[::-1])
        return int(low[1]), int(low[0]), int(high[1] - low[1]), int(high[0] - low[0])

    def _ghost(
        self,
        layer: Layer,
        corners: NDArray[np.int64],
        heights: FloatArray,
        shape: tuple[int, int],
    ) -> tuple[FloatImage, Image]:
        """Depth and tone of one translucent layer in its window."""
        depth: FloatImage = np.full(shape, np.inf, dtype=np.float32)
        tone: Image = np.zeros((*shape, 4), dtype=np.uint8)
        ids: IntImage = np.full(shape, -1, dtype=np.int32)
        winding = self._winding(layer, shape)
        raster.draw(corners, heights, 0, self.near, depth, ids, winding)
        normals = self._normals(layer)
        table = shade(np.broadcast_to(np.array(layer.colour), normals.shape), normals)
        opacity = np.full((len(table), 1), round(255 * layer.opacity), dtype=np.uint8)
        raster.colour(ids, np.concatenate([table, opacity], axis=1), tone)
        label = (ids >= 0).astype(np.int32) - 1
        if len(winding):
            capped = winding > 0
            label[capped], ids[capped], depth[capped] = 1, -1, self.near
            tone[capped] = (*layer.colour, round(255 * min(1.0, layer.opacity * 2.2)))
        self._outline_ghost(layer, normals, label, ids, depth, tone)
        return depth, tone

    def _outline_ghost(
        self,
        layer: Layer,
        normals: FloatImage,
        label: IntImage,
        ids: IntImage,
        depth: FloatImage,
        tone: Image,
    ) -> None:
        crease = np.array([self._least(layer), -2.0], dtype=np.float32)
        marks = np.zeros(label.shape, dtype=np.uint8)
        jump = 0.02 * self.camera.half
        raster.outline(label, ids, depth, normals, crease, jump, self.pixel, marks)
        line = mix(layer.colour, palette.INK, 0.45)
        for mask, strength in ((marks == 1, 0.30), (wider(marks == 2) & (label >= 0), 0.62)):
            tone[mask] = (*line, round(255 * max(strength, layer.opacity)))

    def _draw(
        self, layer: Layer, offset: int, depth: FloatImage, ids: IntImage
    ) -> NDArray[np.int16]:
        """Draw one opaque layer; its winding numbers at the cutting plane, or none."""
        winding = self._winding(layer, self.shape)
        height, width = self.shape
        corners, heights = self.camera.fixed(layer.triangles, width, height)
        raster.draw(corners, heights, offset, self.near, depth, ids, winding)
        return winding

    def _winding(self, layer: Layer, shape: tuple[int, int]) -> NDArray[np.int16]:
        """A buffer for winding numbers where the layer may be cut and filled, else none."""
        if layer.closed and math.isfinite(self.near):
            return np.zeros(shape, dtype=np.int16)
        return _NO_WINDING

    def _normals(self, layer: Layer) -> FloatImage:
        """(n, 3) unit normals in camera axes, turned towards the camera."""
        normals = (layer.normals @ self.camera.axes.T).astype(np.float32)
        normals[normals[:, 2] > 0.0] *= -1.0
        return normals

    def _least(self, layer: Layer) -> float:
        return math.cos(math.radians(CREASE)) if layer.creases else -2.0

    def _cap(self, windings: dict[int, NDArray[np.int16]], ids: IntImage) -> dict[int, Mask]:
        """Fill cut faces of closed layers, hatched as on a drawing; overlap in its own colour.

        Gives where each layer is cut.
        """
        count = len(self.layers)
        times = np.zeros(self.shape, dtype=np.uint8)
        cut: dict[int, Mask] = {}
        for k, winding in windings.items():
            if not len(winding):
                continue
            filled = cut[k] = winding > 0
            times += filled
            self.label[filled] = count + k
            self.image[filled] = mix(self.layers[k].colour, palette.PAPER, 0.35)
            lines = hatch(*self.shape, rising=len(cut) % 2 == 1) & filled
            self.image[lines] = mix(self.layers[k].colour, palette.HATCH, 0.72)
        both = times > 1
        self.label[both] = 2 * count
        self.image[both] = palette.OVERLAP
        capped = times > 0
        ids[capped] = -1
        self.depth[capped] = self.near
        self.overlap = bool(both.any())
        return cut
