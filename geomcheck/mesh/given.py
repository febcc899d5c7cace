"""What a caller gives a query, looked at before it is used."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.errors import InputError

FloatArray: TypeAlias = NDArray[np.float64]


def as_points(points: ArrayLike, name: str) -> FloatArray:
    """(n, 3) float64 points, finite, or an InputError that names them."""
    at = np.ascontiguousarray(points, dtype=np.float64)
    if at.ndim != 2 or at.shape[1] != 3:
        raise InputError(f"{name} must have the shape (n, 3), not {at.shape}")
    if not np.isfinite(at).all():
        row = int(np.argmin(np.isfinite(at).all(axis=1)))
        raise InputError(f"{name} holds a coordinate that is not finite", where=f"row {row}")
    return at


def check_length(name: str, value: float) -> None:
    """Refuse a length that is negative or NaN."""
    if not value >= 0.0:
        raise InputError(f"{name} must not be negative or NaN, not {value}")
