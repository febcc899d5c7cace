"""Least distances of one shape from another in many rigid poses; see ``geomcheck.mesh.query``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import poses as kernel
from geomcheck.mesh import threads
from geomcheck.mesh.given import check_length
from geomcheck.mesh.tree import TriangleTree, as_tree

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]

#: Poses handed to a thread at once; within them each starts from the pair before it.
_CHUNK = 32
#: How far a matrix may be from a rotation.
_RIGID = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class PoseDistances:
    """Least distance of two shapes in each pose.

    Parameters
    ----------
    distance : (n,) float64
        mm, 0 where triangles meet; inf beyond the cutoff, which is "not within the cutoff", no
        measurement.
    triangle_a, triangle_b : (n,) int64
        Callers' numbers of the nearest triangles; where triangles meet, of two that do; -1 beyond
        the cutoff.
    """

    distance: FloatArray
    triangle_a: IntArray
    triangle_b: IntArray


def pose_distances(a: Any, b: Any, poses: ArrayLike, cutoff: float = np.inf) -> PoseDistances:
    """Least distance of ``a`` from ``b`` in each rigid pose of ``b``.

    Right to ``pose_rounding(a, b, poses)``; a distance up to that is given as exactly 0, and what
    meets only by that may be given as apart: a placed part's coordinates are not known better.
    Among nearest pairs at the same distance the one with the smallest numbers (a's first) is
    given. Poses along a path are best given in its order: each starts from the one before.

    Parameters
    ----------
    a, b : TriangleTree, Trimesh or (m, 3, 3) float
    poses : (n, 4, 4) float
        Rigid maps from b's coordinates to a's, mm.
    cutoff : float
        Largest distance of interest, mm; a small one is answered much faster.

    Raises
    ------
    InputError
        As ``least_distance``, and for a matrix that is not a rigid map.
    """
    tree_a, tree_b = as_tree(a), as_tree(b)
    check_length("cutoff", cutoff)
    maps = _maps(poses)
    n = len(maps)
    distance = np.full(n, np.inf)
    number_a, number_b = np.full(n, -1, dtype=np.int64), np.full(n, -1, dtype=np.int64)
    noise = _rounding(tree_a, tree_b, maps)
    _ = tree_a.frames, tree_b.frames  # made here, before threads ask for them at once
    still = np.concatenate([np.eye(3).ravel(), np.zeros(3), np.eye(3).ravel()])

    def task(begin: int, end: int) -> None:
        kernel.walk(
            tree_a.boxes,
            tree_a.frames,
            tree_a.triangles,
            tree_a.order,
            tree_b.boxes,
            tree_b.frames,
            tree_b.triangles,
            tree_b.order,
            tree_a.leaf,
            maps,
            float(cutoff),
            noise,
            still,
            np.empty(24),
            np.empty((512, 2), dtype=np.int64),
            np.empty(512),
            np.empty((kernel.HELD * tree_a.leaf, kernel.TERMS)),
            np.full(kernel.HELD, -1),
            np.empty((kernel.HELD * tree_b.leaf, kernel.TERMS)),
            np.full(kernel.HELD, -1),
            np.empty((9, 3)),
            distance,
            number_a,
            number_b,
            begin,
            end,
        )

    threads.each(task, threads.chunks(n, _CHUNK))
    return PoseDistances(distance, number_a, number_b)


def poses_collide(a: Any, b: Any, poses: ArrayLike) -> BoolArray:
    """Whether triangles of ``a`` and ``b`` meet in each rigid pose of ``b``.

    Up to ``pose_rounding`` everything counts as contact, so that no touch is missed. A part
    wholly inside another meets none of its triangles: that is not collision here.

    Parameters
    ----------
    a, b, poses
        As ``pose_distances``.

    Returns
    -------
    (n,) bool

    Raises
    ------
    InputError
        As ``pose_distances``.
    """
    collide: BoolArray = pose_distances(a, b, poses, 0.0).distance == 0.0
    return collide


def pose_rounding(a: Any, b: Any, poses: ArrayLike) -> float:
    """Amount (mm) below which float64 tells nothing apart in these poses."""
    return _rounding(as_tree(a), as_tree(b), _maps(poses))


def _rounding(a: TriangleTree, b: TriangleTree, maps: FloatArray) -> float:
    size = float(np.abs(a.boxes[0]).max()) + 2.0 * float(np.abs(b.boxes[0]).max())
    shift = float(np.abs(maps[:, :, 3]).max()) if len(maps) else 0.0
    return max(16.0 * float(np.finfo(np.float64).eps) * (size + shift), 1e-100)


def _maps(poses: ArrayLike) -> FloatArray:
    """(n, 3, 4) rows of the maps that count, or an InputError."""
    given = np.asarray(poses, dtype=np.float64)
    if given.ndim != 3 or given.shape[1:] != (4, 4):
        raise InputError(f"poses must have the shape (n, 4, 4), not {given.shape}")
    if not np.isfinite(given).all():
        row = int(np.argmin(np.isfinite(given).all(axis=(1, 2))))
        raise InputError("poses holds a number that is not finite", where=f"row {row}")
    turn = given[:, :3, :3]
    off = np.abs(turn @ turn.transpose(0, 2, 1) - np.eye(3)).max(axis=(1, 2), initial=0.0)
    rigid = (off <= _RIGID) & (np.linalg.det(turn) > 0.0)
    rigid &= (given[:, 3] == [0.0, 0.0, 0.0, 1.0]).all(axis=1)
    if not rigid.all():
        row = int(np.argmin(rigid))
        raise InputError("a pose is not a rigid map (a rotation and a shift)", where=f"row {row}")
    return np.ascontiguousarray(given[:, :3])
