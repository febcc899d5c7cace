"""Light and mixed colours."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.reports.palette import Colour

Image: TypeAlias = NDArray[np.uint8]
Mask: TypeAlias = NDArray[np.bool_]

_KEY = np.array([-0.45, -0.62, -0.64])
_FILL = np.array([0.75, 0.10, -0.65])


def shade(colours: NDArray[np.int_], normals: NDArray[np.float32]) -> Image:
    """(n, 3) flat colours under one key light from the upper left and a weak fill."""
    key = np.clip(normals @ (_KEY / np.linalg.norm(_KEY)), 0.0, 1.0)
    fill = np.clip(normals @ (_FILL / np.linalg.norm(_FILL)), 0.0, 1.0)
    light = np.clip(0.60 + 0.38 * key + 0.12 * fill, 0.0, 1.05)[:, None]
    return np.asarray(np.clip(np.rint(colours * light), 0, 255), dtype=np.uint8)


def mix(one: Colour, two: Colour, share: float) -> Colour:
    """Mix ``share`` of the second colour into the first."""
    a, b = np.array(one, dtype=np.float64), np.array(two, dtype=np.float64)
    red, green, blue = np.rint(a + (b - a) * share).astype(int)
    return (int(red), int(green), int(blue))
