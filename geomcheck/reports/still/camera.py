"""Where the picture is taken from: an orthographic camera, and how its direction is chosen."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import lens, raster

FloatArray: TypeAlias = NDArray[np.float64]
#: (k,) fraction of (n, 3) points that something hides when looked at along (k, 3) directions.
Hides: TypeAlias = Callable[[FloatArray, FloatArray], FloatArray]

#: Pixel coordinates beyond this overflow whole-number edge functions.
_FARTHEST_PIXEL = 1 << 20
_AZIMUTHS = tuple(range(15, 375, 30))
_ELEVATIONS = (28, 55, 5, -25, -55)


@dataclass(frozen=True, eq=False)
class Looked:
    """What of a part can be seen in a picture; as from ``kernels.lens.look``.

    Parameters
    ----------
    corners : (m, 3, 2) int64
        Fixed-point column and row.
    heights : (m, 3) float64
        Depth, mm from the camera's centre.
    normals : (m, 3) float32
        Unit normals in camera axes, turned towards the camera.
    box : (2, 2) int64
        Least and greatest column and row of the corners.
    """

    corners: NDArray[np.int64]
    heights: FloatArray
    normals: NDArray[np.float32]
    box: NDArray[np.int64]

    def window(self, shape: tuple[int, int]) -> tuple[int, int, int, int]:
        """First row, first column, rows and columns of the pixels it spans.

        Two pixels wider than the corners, for the lines drawn round them.
        """
        low = np.maximum(self.box[0] // raster.SUB - 2, 0)
        high = np.minimum(self.box[1] // raster.SUB + 3, shape[::-1])
        return int(low[1]), int(low[0]), int(high[1] - low[1]), int(high[0] - low[0])


@dataclass(frozen=True, eq=False)
class Camera:
    """An orthographic view.

    Parameters
    ----------
    forward, right, up : (3,) float
        Unit vectors, housing frame; forward runs from the camera to the place.
    centre : (3,) float
        Point in the middle of the picture, mm; depth is counted from it.
    half : float
        Half the height of the picture, mm.
    """

    forward: FloatArray
    right: FloatArray
    up: FloatArray
    centre: FloatArray
    half: float

    @classmethod
    def looking(cls, forward: FloatArray, centre: FloatArray, half: float) -> Camera:
        """Camera along ``forward`` with z upwards in the picture, or y where it looks along z."""
        ahead = np.asarray(forward, dtype=np.float64)
        ahead = ahead / np.linalg.norm(ahead)
        top = np.array([0.0, 1.0, 0.0] if abs(ahead[2]) > 0.95 else [0.0, 0.0, 1.0])
        right = np.cross(ahead, top)
        right /= np.linalg.norm(right)
        up = np.cross(right, ahead)
        return cls(ahead, right, up, np.asarray(centre, dtype=np.float64), float(half))

    @property
    def axes(self) -> FloatArray:
        """(3, 3) rows right, down, away: from the housing frame to camera axes."""
        return np.stack([self.right, -self.up, self.forward])

    def place(self, points: FloatArray, width: int, height: int) -> tuple[FloatArray, FloatArray]:
        """(..., 2) column and row in pixels, and (...) depth in mm, of (..., 3) points."""
        local = (np.asarray(points, dtype=np.float64) - self.centre) @ self.axes.T
        scale = self.scale(height)
        at = local[..., :2] * scale + np.array([width / 2.0, height / 2.0])
        return at, local[..., 2]

    def look(self, triangles: FloatArray, width: int, height: int, near: float) -> Looked:
        """Triangles that can be seen: corners and depths for ``kernels.raster.draw``, and normals.

        What lies nearer than ``near`` (mm from the centre) is left out, and what covers no pixel.
        """
        found = lens.look(
            np.ascontiguousarray(triangles, dtype=np.float64),
            self.axes,
            self.centre,
            self.scale(height),
            height,
            width,
            near,
            raster.SUB,
            _FARTHEST_PIXEL,
        )
        return Looked(*found)

    def scale(self, height: int) -> float:
        """Pixels per mm in a picture of ``height`` rows."""
        return height / (2.0 * self.half)


def unit(vector: FloatArray) -> FloatArray | None:
    """The vector at length one, or None if it has no direction."""
    length = float(np.linalg.norm(vector))
    return None if length < 1e-9 else np.asarray(vector / length, dtype=np.float64)


def directions() -> FloatArray:
    """(62, 3) directions from the camera to the place: oblique from above first, then the rest."""
    found = []
    for elevation in _ELEVATIONS:
        for azimuth in _AZIMUTHS:
            e, a = math.radians(elevation), math.radians(azimuth)
            found.append((math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), -math.sin(e)))
    found += [(0.0, 0.0, -1.0), (0.0, 0.0, 1.0)]
    return np.array(found)


def choose_open(
    points: FloatArray, along: FloatArray | None, solid: Hides, ghosts: Hides, *, need: float
) -> FloatArray | None:
    """Choose a direction from which the points can be seen.

    Parameters
    ----------
    points : (n, 3) float
        What must be seen, off the surfaces, mm.
    along : (3,) float or None
        Unit vector that should lie in the picture plane, such as that of the gap.
    solid, ghosts : callable
        Fraction of the points that opaque parts, and ghosted parts, hide along (k, 3) directions.
    need : float
        Least fraction of the points that opaque parts must leave in sight.

    Returns
    -------
    (3,) float or None
        None when the points are hidden from everywhere, or seen only end on.
    """
    candidates = directions()
    across = np.ones(len(candidates))
    if along is not None:
        across = np.sqrt(np.clip(1.0 - (candidates @ along) ** 2, 0.0, 1.0))
    above = np.where(candidates[:, 2] < 0.0, 0.5, 0.0)
    above[(candidates[:, 2] < -0.2) & (candidates[:, 2] > -0.75)] = 1.0
    off = solid(points, candidates)
    usable = (across > 0.6) & (1.0 - off >= need)
    if not usable.any():
        return None
    scores = 3.0 * across + above - 2.0 * off - ghosts(points, candidates)
    best = int(np.argmax(np.where(usable, scores, -np.inf)))
    return np.asarray(candidates[best])


def choose_cut(along: Sequence[FloatArray]) -> FloatArray:
    """Choose the direction to look at a cutting plane that holds the given directions.

    The normal of the plane is as near to an axis of the housing frame as they allow: a cut along
    the drawing's own planes is the one a modeller reads most easily.
    """
    normal: FloatArray | None = None
    if len(along) > 1:
        normal = unit(np.cross(along[0], along[1]))
    if normal is not None:
        # Look at it from the front, the right or above, whichever it faces.
        return -normal if float(normal @ np.array([0.4, -0.6, 0.7])) > 0.0 else normal
    best: tuple[float, FloatArray] | None = None
    for axis in ((0.0, 1.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 0.0, -1.0)):
        wanted = np.array(axis)
        if along:
            wanted = wanted - float(wanted @ along[0]) * along[0]
        length = float(np.linalg.norm(wanted))
        if length > 1e-6 and (best is None or length > best[0] + 1e-6):
            best = (length, wanted / length)
    if best is None:
        raise ValueError("no axis is across the given direction")
    return best[1]
