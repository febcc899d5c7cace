"""Closed, open or soup: what questions a mesh can answer.

The rules, in the order they are asked. Triangles that use a vertex twice have no area and no
outline: they are counted as without area and otherwise passed over, so that a needle which fills a
T-junction breaks nothing. Nothing is repaired, turned round or left out.

closed
    Every edge has as many triangles running one way along it as the other way, and the whole
    encloses a volume. (Two triangles at every edge, or an even number, as where two solids touch
    along an edge.) Inside and outside are defined by the winding number.
soup
    Facing is not defined: more than 1 % of the edges between triangles have more of them running
    one way than the other, or more than half of the triangles share no edge with another, or the
    surface closes but encloses nothing (a doubled sheet).
open
    Everything else: a scan, a surface, a solid with holes. The facing of each triangle counts;
    inside and outside do not exist.

A closed mesh whose volume is negative stays ``closed`` with ``inside_out`` set; it is not turned
round by guess. Mostly the whole part was mirrored without turning its triangles. Within a closed
mesh every body (triangles joined by edges) is looked at in its surroundings: a body of negative
volume is a cavity when it lies in the material of another, and a fault when it does not; a body of
positive volume must not lie in the material of another, else material counts twice and no volume
is given. Bodies that cross one another without one holding the other's sampled place are not
found by this, nor is a single body that crosses itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import edges as kernel
from geomcheck.mesh.edges import EdgeTable

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Share of the edges between triangles that may be inconsistent before facing is undefined.
SOUP_SHARE = 0.01
#: A volume below this share of area times size is rounding (float32 corners give about 1e-7).
NO_VOLUME = 1e-7


@dataclass(frozen=True)
class Soundness:
    """Class of a mesh and what is wrong with it.

    Parameters
    ----------
    kind : {"closed", "open", "soup"}
        See the module's docstring.
    triangles, vertices : int
    bodies : int
        Pieces joined by edges.
    boundary_edges : int
        Edges with one triangle.
    holes : int
        Connected runs of boundary edges.
    crowded_edges : int
        Edges with three or more triangles.
    clashing_edges : int
        Edges between triangles with more of them running one way than the other.
    zero_area : int
        Triangles thinner than the file's float32 numbers can tell from a line.
    duplicates : int
        Triangles that repeat the three vertices of an earlier one.
    area : float
        mm2.
    volume : float or None
        mm3; negative when ``inside_out``; None where it is not defined.
    inside_out : bool
        The mesh is closed and its triangles face inwards.
    stray_bodies : int
        Bodies of a closed mesh that face inwards without being a cavity of another.
    doubled_bodies : int
        Bodies of a closed mesh that lie in the material of another or touch it.
    defects : tuple of str
        One plain sentence for each kind of fault, with examples.
    """

    kind: Literal["closed", "open", "soup"]
    triangles: int = 0
    vertices: int = 0
    bodies: int = 0
    boundary_edges: int = 0
    holes: int = 0
    crowded_edges: int = 0
    clashing_edges: int = 0
    zero_area: int = 0
    duplicates: int = 0
    area: float = 0.0
    volume: float | None = None
    inside_out: bool = False
    stray_bodies: int = 0
    doubled_bodies: int = 0
    defects: tuple[str, ...] = ()

    @property
    def solid(self) -> bool:
        """Closed, and every facet faces out of the material: inside and outside are defined."""
        return self.kind == "closed" and not self.inside_out and self.stray_bodies == 0


def resolution(vertices: FloatArray) -> float:
    """Smallest altitude (mm) that corners stored as float32 can support, four steps of it."""
    largest = float(np.abs(vertices).max(initial=0.0))
    return 4.0 * float(np.spacing(np.float32(largest))) if largest < 1e38 else largest * 1e-6


def judge(vertices: Any, faces: Any, edges: EdgeTable | None = None) -> Soundness:
    """Class a mesh by the rules of this module.

    Parameters
    ----------
    vertices : (n, 3) float
        mm; finite; equal corners merged.
    faces : (m, 3) int
        m >= 1. Triangles are named by their row, which is the file's order.
    edges : EdgeTable, optional
        Of the same mesh, where the caller has it.

    Raises
    ------
    InputError
        No triangles.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    if len(corners) == 0:
        raise InputError("there are no triangles")
    table = EdgeTable.of(corners, len(points)) if edges is None else edges
    shape = _Shape(points, corners)
    boundary = table.faces == 1
    crowded = table.faces >= 3
    clashing = (table.faces >= 2) & (table.balance != 0)
    duplicates = _duplicates(corners, table)
    defects: list[str] = []
    holes = 0
    if boundary.any():
        holes, sentence = _describe_holes(points, table, np.flatnonzero(boundary))
        defects.append(sentence)
    if clashing.any():
        defects.append(
            _describe_edges(points, table, clashing, "triangles that do not agree on the outside")
        )
    if crowded.any():
        defects.append(_describe_edges(points, table, crowded, "three or more triangles"))
    if len(duplicates):
        defects.append(f"{_count(len(duplicates), 'triangle')} present twice: {_some(duplicates)}")
    if shape.zero_area.any():
        found = np.flatnonzero(shape.zero_area)
        defects.append(f"{_count(len(found), 'triangle')} without area: {_some(found)}")

    label, bodies = _bodies(corners, table)
    volume: float | None = None
    stray: list[int] = []
    doubled: list[int] = []
    kind = _kind(table, clashing, corners)
    if kind == "closed":
        volume = float(shape.volumes.sum())
        if abs(volume) <= NO_VOLUME * float(shape.areas.sum()) * shape.size:
            kind, volume = "soup", None
            defects.append("the surface closes but encloses nothing: a doubled sheet")
    if kind == "closed" and volume is not None and volume < 0.0:
        defects.append(
            "the triangles face inwards (negative volume); a part mirrored without turning its "
            "triangles comes out like this"
        )
    elif kind == "closed" and bodies > 1:
        stray, doubled = _surroundings(shape, label, bodies)
        first = np.unique(label, return_index=True)[1][-bodies:]
        if stray:
            defects.append(
                f"{_count(len(stray), 'body', 'bodies')} facing inwards without being a cavity: "
                f"{_some(first[stray], 'the one with triangle')}"
            )
        if stray or doubled:
            volume = None
        if doubled:
            defects.append(
                f"{_count(len(doubled), 'body', 'bodies')} inside the material of another or "
                f"touching it, so that material counts twice: "
                f"{_some(first[doubled], 'the one with triangle')}"
            )
    return Soundness(
        kind=kind,
        triangles=len(corners),
        vertices=len(points),
        bodies=bodies,
        boundary_edges=int(boundary.sum()),
        holes=holes,
        crowded_edges=int(crowded.sum()),
        clashing_edges=int(clashing.sum()),
        zero_area=int(shape.zero_area.sum()),
        duplicates=len(duplicates),
        area=float(shape.areas.sum()),
        volume=volume,
        inside_out=volume is not None and volume < 0.0,
        stray_bodies=len(stray),
        doubled_bodies=len(doubled),
        defects=tuple(defects),
    )


def _kind(
    table: EdgeTable, clashing: NDArray[np.bool_], corners: IntArray
) -> Literal["closed", "open", "soup"]:
    if len(table) == 0:
        return "soup"
    if not table.balance.any():
        return "closed"
    shared = table.faces >= 2
    if clashing.sum() > SOUP_SHARE * max(int(shared.sum()), 1):
        return "soup"
    joined = np.zeros(len(corners), dtype=bool)
    joined[table.order[np.repeat(shared, table.faces)] // 3] = True
    if len(corners) > 1 and 2 * int(joined.sum()) < len(corners):
        return "soup"
    return "open"


class _Shape:
    """Areas (mm2), volumes (mm3, signed, against the middle) and thinness of the triangles."""

    def __init__(self, points: FloatArray, corners: IntArray) -> None:
        low, high = points.min(axis=0), points.max(axis=0)
        self.size = float(np.linalg.norm(high - low))
        tri = points[corners]
        tri -= 0.5 * (low + high)
        self.triangles = tri
        side = tri[:, 1] - tri[:, 0]
        other = tri[:, 2] - tri[:, 0]
        normal = np.cross(side, other)
        self.volumes: FloatArray = np.einsum("ij,ij->i", tri[:, 0], normal) / 6.0
        doubled = np.sqrt(np.einsum("ij,ij->i", normal, normal))
        self.areas: FloatArray = 0.5 * doubled
        longest = np.maximum(np.einsum("ij,ij->i", side, side), np.einsum("ij,ij->i", other, other))
        other -= side
        np.maximum(longest, np.einsum("ij,ij->i", other, other), out=longest)
        self.zero_area = doubled <= resolution(points) * np.sqrt(longest)


def _bodies(corners: IntArray, table: EdgeTable) -> tuple[IntArray, int]:
    """Body of each triangle (-1 for triangles that use a vertex twice), and their number."""
    label, _ = kernel.label_bodies(len(corners), table.order, table.start)
    collapsed = (
        (corners[:, 0] == corners[:, 1])
        | (corners[:, 1] == corners[:, 2])
        | (corners[:, 2] == corners[:, 0])
    )
    if not collapsed.any():
        return label, int(label.max()) + 1
    kept, fresh = np.unique(label[~collapsed], return_inverse=True)
    out = np.full(len(corners), -1, dtype=np.int64)
    out[~collapsed] = fresh
    return out, len(kept)


def _surroundings(shape: _Shape, label: IntArray, bodies: int) -> tuple[list[int], list[int]]:
    """Bodies that face inwards in the open, and bodies within the material of others.

    At a place on one body the winding number of all the others is the number of bodies there,
    cavities taken off: 0 for a solid in the open (or in a cavity), 1 for a cavity.
    """
    order = np.argsort(label, kind="stable")
    order = order[np.searchsorted(label[order], 0) :]
    begin = np.searchsorted(label[order], np.arange(bodies + 1))
    volume = np.add.reduceat(shape.volumes[order], begin[:-1])
    low = np.minimum.reduceat(shape.triangles[order].min(axis=1), begin[:-1])
    high = np.maximum.reduceat(shape.triangles[order].max(axis=1), begin[:-1])
    stray: list[int] = []
    doubled: list[int] = []
    for body in range(bodies):
        mine = order[begin[body] : begin[body + 1]]
        place = shape.triangles[mine[np.argmax(shape.areas[mine])]].mean(axis=0)
        around = np.flatnonzero(((low <= place) & (place <= high)).all(axis=1))
        around = around[around != body]
        turns = sum(
            _winding(place, shape.triangles[order[begin[other] : begin[other + 1]]])
            for other in around
        )
        wanted = 0.0 if volume[body] >= 0.0 else 1.0
        if turns < wanted - 0.25:
            stray.append(body)
        elif turns > wanted + 0.25:
            doubled.append(body)
    return stray, doubled


def _winding(place: FloatArray, triangles: FloatArray) -> float:
    """Winding number of triangles about a place (Van Oosterom and Strackee 1983)."""
    rays = triangles - place
    length = np.sqrt(np.einsum("ijk,ijk->ij", rays, rays))
    a, b, c = rays[:, 0], rays[:, 1], rays[:, 2]
    la, lb, lc = length[:, 0], length[:, 1], length[:, 2]
    top = np.einsum("ij,ij->i", a, np.cross(b, c))
    bottom = (
        la * lb * lc
        + np.einsum("ij,ij->i", a, b) * lc
        + np.einsum("ij,ij->i", b, c) * la
        + np.einsum("ij,ij->i", c, a) * lb
    )
    return float(np.arctan2(top, bottom).sum() / (2.0 * np.pi))


def _duplicates(corners: IntArray, table: EdgeTable) -> IntArray:
    """Triangles with the same three vertices as an earlier one."""
    far = corners.reshape(-1)[table.order - table.order % 3 + (table.order + 2) % 3]
    head = table.start[:-1]
    pair = table.faces == 2
    suspect = table.faces >= 3
    suspect[pair] = far[head[pair]] == far[head[pair] + 1]
    if not suspect.any():
        return np.empty(0, dtype=np.int64)
    rows = np.unique(table.order[np.repeat(suspect, table.faces)] // 3)
    key = np.sort(corners[rows], axis=1)
    rank = np.lexsort((rows, key[:, 2], key[:, 1], key[:, 0]))
    same = (key[rank][1:] == key[rank][:-1]).all(axis=1)
    repeated: IntArray = np.sort(rows[rank[1:][same]])
    collapsed = np.array([len(set(corners[row])) < 3 for row in repeated], dtype=bool)
    return repeated[~collapsed] if len(repeated) else repeated


def _describe_holes(points: FloatArray, table: EdgeTable, rows: IntArray) -> tuple[int, str]:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ends = table.ends[rows]
    used, local = np.unique(ends, return_inverse=True)
    local = local.reshape(ends.shape)
    graph = coo_array(
        (np.ones(len(rows), dtype=np.int8), (local[:, 0], local[:, 1])), shape=(len(used),) * 2
    )
    count, label = connected_components(graph, directed=False)
    lengths = np.linalg.norm(points[ends[:, 1]] - points[ends[:, 0]], axis=1)
    around = np.bincount(label[local[:, 0]], weights=lengths, minlength=count)
    largest = int(np.argmax(around))
    example = rows[np.flatnonzero(label[local[:, 0]] == largest)[0]]
    sentence = (
        f"{_count(len(rows), 'edge')} with one triangle only, in {_count(count, 'outline')}; the "
        f"longest is {around[largest]:.2f} mm round, at {_at(points, table, int(example))}"
    )
    return int(count), sentence


def _describe_edges(
    points: FloatArray, table: EdgeTable, which: NDArray[np.bool_], what: str
) -> str:
    rows = np.flatnonzero(which)
    return f"{_count(len(rows), 'edge')} with {what}, as at {_at(points, table, int(rows[0]))}"


def _at(points: FloatArray, table: EdgeTable, edge: int) -> str:
    x, y, z = points[table.ends[edge]].mean(axis=0)
    return f"({x:.2f}, {y:.2f}, {z:.2f}), triangle {int(table.triangles(edge)[0])}"


def _count(number: int, word: str, words: str = "") -> str:
    return f"{number} {word}" if number == 1 else f"{number} {words or word + 's'}"


def _some(numbers: Any, word: str = "") -> str:
    shown = ", ".join(f"{word} {int(x)}".strip() for x in numbers[:5])
    return shown + (" ..." if len(numbers) > 5 else "")
