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
from geomcheck.reports.still.camera import Camera, Looked
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.tone import Image, Mask, mix, shade

FloatImage: TypeAlias = NDArray[np.float32]
IntImage: TypeAlias = NDArray[np.int32]

#: Least angle between facets that is drawn as a line, degrees.
CREASE = 32.0
#: Pixels from line to line of the hatching, along a row.
_PITCH = 15
#: Share of ink in creases and in outlines.
_INKED = np.array([0.38, 0.85])
_NO_WINDING = np.zeros((0, 0), dtype=np.int16)


@dataclass(frozen=True, eq=False)
class Painted:
    """A picture of the scene.

    Parameters
    ----------
    image : (h, w, 3) uint8
    depth : (h, w) float32
        Of the opaque parts, mm from the camera's centre; inf where there is none.
    seen : tuple of (h / every, w / every) bool
        Where each layer shows, in the order of the layers, at every so many pixels.
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
    every: int = 1,
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
    every : int
        Where layers show is told at the middle of every so many pixels, across and down.
    """
    near = -math.inf if cut is None else cut
    canvas = _Canvas(layers, camera, width, height, near, every)
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
        self,
        layers: Sequence[Layer],
        camera: Camera,
        width: int,
        height: int,
        near: float,
        every: int,
    ) -> None:
        self.layers = layers
        self.camera = camera
        self.near = near
        self.every = every
        self.shape = (height, width)
        self.pixel = 1.0 / camera.scale(height)
        self.image: Image = np.full((height, width, 3), 255, dtype=np.uint8)
        self.depth: FloatImage = np.full(self.shape, np.inf, dtype=np.float32)
        self.label: IntImage = np.full(self.shape, -1, dtype=np.int32)
        self.coarse = np.s_[every // 2 :: every, every // 2 :: every]
        self.seen: list[Mask] = [np.zeros_like(self.label[self.coarse], np.bool_) for _ in layers]
        self.overlap = False

    def draw_solids(self, tint: Tint | None) -> None:
        """Draw the opaque layers."""
        count = len(self.layers)
        solids = [k for k in range(count) if self.layers[k].opacity >= 1.0]
        if not solids:
            return
        ids: IntImage = np.full(self.shape, -1, dtype=np.int32)
        windings: dict[int, NDArray[np.int16]] = {}
        shapes = []
        total = 0
        for k in solids:
            shape = self._look(self.layers[k])
            windings[k] = self._winding(self.layers[k], self.shape)
            raster.draw(
                shape.corners, shape.heights, total, self.near, self.depth, ids, windings[k]
            )
            shapes.append(shape)
            total += len(shape.heights)
        normals = np.concatenate([shape.normals for shape in shapes])
        lengths = [len(shape.heights) for shape in shapes]
        owner = np.repeat(np.array(solids, dtype=np.int32), lengths)
        base = np.repeat(np.array([self.layers[k].colour for k in solids]), lengths, axis=0)
        raster.colour(ids, owner[:, None], self.label[..., None])
        raster.colour(ids, shade(base, normals), self.image)
        if tint is not None:
            tint(self.image, self.depth, self.label)
        crease = np.full(2 * count + 1, -2.0, dtype=np.float32)
        self._cap(windings, ids)
        for k in solids:
            crease[k] = self._least(self.layers[k])
            self.seen[k] = self.label[self.coarse] == k
            if len(windings[k]):
                self.seen[k] |= windings[k][self.coarse] > 0
        marks = np.zeros(self.shape, dtype=np.uint8)
        jump = 0.008 * self.camera.half
        raster.outline(self.label, ids, self.depth, normals, crease, jump, self.pixel, marks)
        raster.ink(marks, _INKED, np.array(palette.INK, dtype=np.uint8), self.image)

    def draw_ghosts(self) -> None:
        """Blend the translucent layers over what is drawn.

        Each is drawn in a window of its own, as most cover little of the picture.
        """
        drawn: list[tuple[Layer, Looked]] = []
        windows: list[tuple[int, int, int, int, int]] = []
        used = 0
        numbers = []
        for k, layer in enumerate(self.layers):
            if layer.opacity >= 1.0:
                continue
            shape = self._look(layer)
            if not len(shape.heights):
                continue
            top, left, rows, columns = shape.window(self.shape)
            if rows <= 0 or columns <= 0:
                continue
            drawn.append((layer, shape))
            numbers.append(k)
            windows.append((top, left, rows, columns, used))
            used += rows * columns
        if not windows:
            return
        depths: FloatImage = np.full(used, np.inf, dtype=np.float32)
        tones: Image = np.zeros((used, 4), dtype=np.uint8)
        for k, (layer, shape), window in zip(numbers, drawn, windows, strict=True):
            top, left, rows, columns, begin = window
            mine = slice(begin, begin + rows * columns)
            depth = depths[mine].reshape(rows, columns)
            self._ghost(layer, shape, (top, left), depth, tones[mine].reshape(rows, columns, 4))
            self._tell_seen(k, (top, left), depth)
        raster.blend(np.array(windows), depths, tones, self.image, self.depth)

    def _tell_seen(self, k: int, corner: tuple[int, int], depth: FloatImage) -> None:
        """Where a ghost, drawn in a window, shows."""
        # The first coarse row and column of the window, and their places in it.
        first = [-((self.every // 2 - at) // self.every) for at in corner]
        off = [self.every // 2 + n * self.every - at for n, at in zip(first, corner, strict=True)]
        mine = depth[off[0] :: self.every, off[1] :: self.every]
        view = np.s_[first[0] : first[0] + mine.shape[0], first[1] : first[1] + mine.shape[1]]
        self.seen[k][view] = mine < self.depth[self.coarse][view]

    def _ghost(
        self,
        layer: Layer,
        shape: Looked,
        corner: tuple[int, int],
        depth: FloatImage,
        tone: Image,
    ) -> None:
        """Draw one translucent layer into the depth and tone of its window."""
        ids: IntImage = np.full(depth.shape, -1, dtype=np.int32)
        winding = self._winding(layer, depth.shape)
        shape.corners[...] -= np.array(corner[::-1]) * raster.SUB
        raster.draw(shape.corners, shape.heights, 0, self.near, depth, ids, winding)
        table = shade(np.broadcast_to(np.array(layer.colour), shape.normals.shape), shape.normals)
        opacity = np.full((len(table), 1), round(255 * layer.opacity), dtype=np.uint8)
        raster.colour(ids, np.concatenate([table, opacity], axis=1), tone)
        label = np.minimum(ids, 0)
        if len(winding):
            capped = winding > 0
            label[capped], ids[capped], depth[capped] = 1, -1, self.near
            tone[capped] = (*layer.colour, round(255 * min(1.0, layer.opacity * 2.2)))
        crease = np.array([self._least(layer), -2.0], dtype=np.float32)
        marks = np.zeros(depth.shape, dtype=np.uint8)
        jump = 0.02 * self.camera.half
        raster.outline(label, ids, depth, shape.normals, crease, jump, self.pixel, marks)
        line = mix(layer.colour, palette.INK, 0.45)
        strengths = [round(255 * max(strength, layer.opacity)) for strength in (0.30, 0.62)]
        lines = np.array([(*line, strength) for strength in strengths], dtype=np.uint8)
        raster.rim(marks, label, lines, tone)

    def _look(self, layer: Layer) -> Looked:
        height, width = self.shape
        return self.camera.look(layer.triangles, width, height, self.near)

    def _winding(self, layer: Layer, shape: tuple[int, ...]) -> NDArray[np.int16]:
        """A buffer for winding numbers where the layer may be cut and filled, else none."""
        if layer.closed and math.isfinite(self.near):
            return np.zeros(shape, dtype=np.int16)
        return _NO_WINDING

    def _least(self, layer: Layer) -> float:
        return math.cos(math.radians(CREASE)) if layer.creases else -2.0

    def _cap(self, windings: dict[int, NDArray[np.int16]], ids: IntImage) -> None:
        """Fill cut faces of closed layers, hatched as on a drawing; overlap in its own colour."""
        closed = {k: winding for k, winding in windings.items() if len(winding)}
        if not closed:
            return
        count = len(self.layers)
        times = np.zeros(self.shape, dtype=np.uint8)
        for n, (k, winding) in enumerate(closed.items()):
            colour = self.layers[k].colour
            face = np.array(mix(colour, palette.PAPER, 0.35), dtype=np.uint8)
            line = np.array(mix(colour, palette.HATCH, 0.72), dtype=np.uint8)
            raster.cap(
                winding, count + k, face, line, n % 2 == 0, _PITCH, times, self.label, self.image
            )
        both = times > 1
        self.overlap = bool(both.any())
        if self.overlap:
            self.label[both] = 2 * count
            self.image[both] = palette.OVERLAP
        capped = times > 0
        ids[capped] = -1
        self.depth[capped] = self.near
