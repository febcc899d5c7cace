"""Faults of a mesh in words, with examples."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.edges import EdgeTable

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


def describe_holes(
    points: FloatArray, table: EdgeTable, rows: IntArray, unit: str
) -> tuple[int, str]:
    """Number of outlines the boundary edges ``rows`` make, and a sentence."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ends = table.ends[rows]
    used, local = np.unique(ends, return_inverse=True)
    local = local.reshape(ends.shape)
    graph = coo_array(
        (np.ones(len(rows), dtype=np.int8), (local[:, 0], local[:, 1])), shape=(len(used),) * 2
    )
    outlines, label = connected_components(graph, directed=False)
    lengths = np.linalg.norm(points[ends[:, 1]] - points[ends[:, 0]], axis=1)
    around = np.bincount(label[local[:, 0]], weights=lengths, minlength=outlines)
    largest = int(np.argmax(around))
    example = rows[np.flatnonzero(label[local[:, 0]] == largest)[0]]
    sentence = (
        f"{count(len(rows), 'edge')} with one triangle only, in {count(outlines, 'outline')}; the "
        f"longest is {around[largest]:.2f} {unit} round, at {_at(points, table, int(example))}"
    )
    return int(outlines), sentence


def describe_edges(
    points: FloatArray, table: EdgeTable, which: NDArray[np.bool_], what: str
) -> str:
    """How many edges of a kind there are, and where one is."""
    rows = np.flatnonzero(which)
    return f"{count(len(rows), 'edge')} with {what}, as at {_at(points, table, int(rows[0]))}"


def _at(points: FloatArray, table: EdgeTable, edge: int) -> str:
    x, y, z = points[table.ends[edge]].mean(axis=0)
    return f"({x:.2f}, {y:.2f}, {z:.2f}), triangle {int(table.triangles(edge)[0])}"


def count(number: int, word: str, words: str = "") -> str:
    """A number with its word in the right form."""
    return f"{number} {word}" if number == 1 else f"{number} {words or word + 's'}"


def some(numbers: Any, word: str = "") -> str:
    """The first few numbers."""
    shown = ", ".join(f"{word} {int(x)}".strip() for x in numbers[:5])
    return shown + (" ..." if len(numbers) > 5 else "")
