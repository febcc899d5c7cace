"""Where a part stands: rigid motions as 4 x 4 matrices acting on column vectors (mm)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import PlacementError

FloatArray: TypeAlias = NDArray[np.float64]

#: A turn: axis, angle in degrees (right-handed), and a point on the axis (mm).
Turn: TypeAlias = tuple[Any, float, Any]

#: How far a matrix may be from rigid: per entry of R^T R, and of its last row.
TOLERANCE = 1e-6


def rigid(turns: Iterable[Turn] = (), move: Any = (0.0, 0.0, 0.0)) -> FloatArray:
    """Matrix (4, 4) of turns, one after the other in the order given, then a move.

    Parameters
    ----------
    turns : iterable of (axis, angle, about)
        Axis (3,) of any length but zero, angle in degrees, point on the axis (3,) in mm. Axes
        stay those of the surroundings; they do not turn with the part.
    move : (3,) float
        mm.

    Raises
    ------
    PlacementError
        An axis of length zero, or a number that is not finite.

    Examples
    --------
    >>> turned = rigid([((0, 0, 1), 90.0, (10, 0, 0))], (0, 0, 5))
    >>> apply(turned, [[11.0, 0.0, 0.0]]).round(12).tolist()
    [[10.0, 1.0, 5.0]]
    """
    matrix = np.eye(4)
    for axis, angle, about in turns:
        matrix = _turn(axis, angle, about) @ matrix
    shift = np.asarray(move, dtype=np.float64)
    if shift.shape != (3,) or not np.isfinite(shift).all():
        raise PlacementError("a move must be three finite numbers", remedy="Give x, y, z in mm")
    matrix[:3, 3] += shift
    return matrix


def _turn(axis: Any, angle: float, about: Any) -> FloatArray:
    """Rotation by Rodrigues' formula; quarter turns come out exact."""
    direction = np.asarray(axis, dtype=np.float64)
    centre = np.asarray(about, dtype=np.float64)
    if not (np.isfinite(direction).all() and np.isfinite(centre).all() and math.isfinite(angle)):
        raise PlacementError("a turn must have finite numbers", remedy="Give degrees and mm")
    length = float(np.linalg.norm(direction))
    if length < 1e-9:
        raise PlacementError(
            "the axis of a turn has no length", remedy="Give a direction, such as [0, 0, 1]"
        )
    x, y, z = direction / length
    quarters, rest = divmod(math.fmod(angle, 360.0), 90.0)
    if rest == 0.0:
        sine, cosine = ((0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0))[int(quarters) % 4]
    else:
        sine, cosine = math.sin(math.radians(angle)), math.cos(math.radians(angle))
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    matrix = np.eye(4)
    matrix[:3, :3] = np.eye(3) + sine * cross + (1.0 - cosine) * (cross @ cross)
    matrix[:3, 3] = centre - matrix[:3, :3] @ centre
    return matrix


def check_rigid(matrix: Any) -> FloatArray:
    """The matrix (4, 4), if it is a rigid motion.

    A matrix within ``TOLERANCE`` of rigid (as written with seven digits) is replaced by the
    nearest rotation, so that no part changes size.

    Raises
    ------
    PlacementError
        Wrong shape, not finite, a last row other than 0 0 0 1, a mirror, a scale, a shear.
    """
    given = np.asarray(matrix, dtype=np.float64)
    if given.shape != (4, 4):
        raise PlacementError(
            f"a placement has four rows of four numbers, not the shape {given.shape}",
            remedy="Give the 4 x 4 matrix row by row",
        )
    if not np.isfinite(given).all():
        raise PlacementError("a placement must have finite numbers", remedy="Check the matrix")
    if np.abs(given[3] - (0.0, 0.0, 0.0, 1.0)).max() > TOLERANCE:
        hint = "; the move stands in the last row" if np.abs(given[3, :3]).max() > 0 else ""
        raise PlacementError(
            f"the last row of a placement must be 0 0 0 1{hint}",
            remedy="Write the matrix for column vectors: the move in the last column",
        )
    turn: FloatArray = given[:3, :3]
    scales: FloatArray = np.asarray(np.linalg.svd(turn, compute_uv=False), dtype=np.float64)
    mirrored = float(np.linalg.det(turn)) < 0.0
    if np.abs(turn.T @ turn - np.eye(3)).max() > TOLERANCE:
        what = _describe_scale(turn, scales) + (" and mirrors" if mirrored else "")
        raise PlacementError(
            f"this matrix is not rigid: it {what}",
            remedy="Parts are placed in their true size; set the file's unit if its size is wrong",
        )
    if mirrored:
        raise PlacementError(
            "this matrix mirrors the part (determinant -1)",
            remedy="Mirror the part where it was drawn and export it as a file of its own",
        )
    left, _, right = np.linalg.svd(turn)
    out = np.eye(4)
    exact = np.abs(turn.T @ turn - np.eye(3)).max() < 1e-14
    out[:3, :3] = turn if exact else left @ right
    out[:3, 3] = given[:3, 3]
    return out


def _describe_scale(turn: FloatArray, scales: FloatArray) -> str:
    if scales.max() - scales.min() <= TOLERANCE * scales.max():
        return f"scales by {scales.mean():.6g} (a scale of 1 is wanted)"
    along = np.linalg.norm(turn, axis=0)
    gram = turn.T @ turn
    if np.abs(gram - np.diag(np.diag(gram))).max() <= TOLERANCE * scales.max() ** 2:
        return "scales by " + ", ".join(f"{s:.6g}" for s in along) + " along x, y, z"
    return f"shears or scales unevenly (by {scales.min():.6g} to {scales.max():.6g} by direction)"


def compose(*matrices: Any) -> FloatArray:
    """Matrix (4, 4) of motions done one after the other, the first given first.

    Examples
    --------
    >>> there = rigid(move=(1, 2, 3))
    >>> bool(np.array_equal(compose(there, inverse(there)), np.eye(4)))
    True
    """
    out = np.eye(4)
    for matrix in matrices:
        out = np.asarray(matrix, dtype=np.float64) @ out
    return out


def inverse(matrix: Any) -> FloatArray:
    """The motion (4, 4) that undoes a rigid one."""
    given = np.asarray(matrix, dtype=np.float64)
    out = np.eye(4)
    out[:3, :3] = given[:3, :3].T
    out[:3, 3] = -given[:3, :3].T @ given[:3, 3]
    return out


def apply(matrix: Any, points: Any) -> FloatArray:
    """Points (n, 3), moved; unchanged to the last bit by the identity."""
    given = np.asarray(matrix, dtype=np.float64)
    rows = np.asarray(points, dtype=np.float64)
    if np.array_equal(given, np.eye(4)):
        return rows.copy()
    turned: FloatArray = rows @ given[:3, :3].T
    turned += given[:3, 3]
    return turned
