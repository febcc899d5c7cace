"""Many tools in many directions at once: which stand, and which of those turn far enough.

For searching: yes or no, with one free angle as a witness for each yes. The answers are those of
``room`` questions and ``free_arc`` one by one; the work is shared between threads by fasteners, and
the answers do not depend on how many there are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.fasten.arcs import Bar, bar_row, work_arrays
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle
from geomcheck.kernels import arcs, tilt
from geomcheck.mesh import threads

BoolArray: TypeAlias = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Pose:
    """A tool for :func:`try_poses`.

    Parameters
    ----------
    rows : (k, 3) float
        (from, to, radius), mm up the axis of the frame.
    bars : sequence of Bar
        What turns with it; may be empty.
    """

    rows: FloatArray
    bars: Sequence[Bar] = ()


@dataclass(frozen=True, eq=False)
class Tried:
    """Answers for q frames and t tools.

    Parameters
    ----------
    stands : (q, t) bool
        The stack has the room needed.
    turns : (q, t) bool
        It does, and its bars turn by the arc needed.
    middle_deg : (q, t) float
        The middle of one such arc; NaN where there is none, or where there are no bars.
    """

    stands: BoolArray
    turns: BoolArray
    middle_deg: FloatArray


def try_poses(
    frames: Any,
    tools: Sequence[Pose],
    obstacle: Obstacle,
    *,
    need: float = 0.0,
    need_deg: float = 60.0,
    which: str = "as_read",
    block: int = 2000,
) -> Tried:
    """Try every tool in every frame against one part (join parts for several).

    Parameters
    ----------
    frames : (q, 4, 3) float
        Origin and unit axes u, v, w; neighbours in the array best lean alike.
    tools : sequence of Pose
    obstacle : Obstacle
    need : float
        Room needed round the stack, mm.
    need_deg : float
        Arc needed, more than 0 up to 360 degrees.
    which : {"as_read", "nearest_truth", "farthest_truth"}
    block : int
        Frames worked on in one go, such as those of one fastener.

    Raises
    ------
    InputError
        Frames of the wrong shape, no tools, or figures out of range.
    """
    poses: FloatArray = np.ascontiguousarray(frames, dtype=np.float64)
    if poses.ndim != 3 or poses.shape[1:] != (4, 3) or not np.isfinite(poses).all():
        raise InputError("frames must have the shape (n, 4, 3) and be finite")
    if not tools or not (0.0 <= need < math.inf and 0.0 < need_deg <= 360.0 and block > 0):
        raise InputError("tools are needed, 0 mm of room or more, and an arc of up to one turn")
    tree: KernelTree = getattr(obstacle, which)
    rows = np.concatenate([np.asarray(tool.rows, dtype=np.float64) for tool in tools])
    row_starts = np.concatenate([[0], np.cumsum([len(tool.rows) for tool in tools])])
    bars = [bar_row(bar, -math.inf, 0.0) for tool in tools for bar in tool.bars]
    bar_table = np.array(bars).reshape(-1, 6)
    bar_starts = np.concatenate([[0], np.cumsum([len(tool.bars) for tool in tools])])
    arc = math.radians(need_deg)
    size = 4 + int(arcs.TURN / arc)
    stands = np.ones((len(poses), len(tools)), dtype=np.uint8)
    turns = np.empty_like(stands)
    middle = np.full(stands.shape, math.nan)

    def task(begin: int, end: int) -> None:
        tilt.clear(tree, poses, rows, row_starts, need, begin, end, stands)
        turns[begin:end] = stands[begin:end]
        state = (np.empty((size, 2)), np.empty((size, 4), dtype=np.int64), np.empty((size, 6)))
        arcs.turns(
            tree, poses, bar_table, bar_starts, arc, begin, end, state, work_arrays(), turns, middle
        )

    threads.each(task, threads.chunks(len(poses), block))
    return Tried(stands.astype(np.bool_), turns.astype(np.bool_), np.degrees(middle))
