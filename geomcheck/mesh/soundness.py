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
mesh of several bodies (triangles joined by edges) each is looked at in its surroundings, by rays
from some of its facets: a body of negative volume is a cavity when it lies in material, and a
fault when it does not; a body of positive volume must lie in the open, else material counts twice
and no volume is given. Bodies whose surfaces cross are found from their triangles. A single body
that crosses itself is not looked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.mesh.bodies import NO_VOLUME, Shape, label_bodies, surroundings
from geomcheck.mesh.defects import count, describe_edges, describe_holes, some
from geomcheck.mesh.edges import EdgeTable

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Share of the edges between triangles that may be inconsistent before facing is undefined.
SOUP_SHARE = 0.01


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
        Bodies of a closed mesh that lie in the material of another, cross it or touch it.
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


def judge(
    vertices: Any, faces: Any, edges: EdgeTable | None = None, *, unit: str = "mm"
) -> Soundness:
    """Class a mesh by the rules of this module.

    Parameters
    ----------
    vertices : (n, 3) float
        mm; finite; equal corners merged.
    faces : (m, 3) int
        m >= 1. Triangles are named by their row, which is the file's order.
    edges : EdgeTable, optional
        Of the same mesh, where the caller has it.
    unit : str
        Name of the unit of length in the sentences.

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
    shape = Shape(points, corners)
    boundary = table.faces == 1
    crowded = table.faces >= 3
    clashing = (table.faces >= 2) & (table.balance != 0)
    duplicates = _duplicates(corners, table)
    defects: list[str] = []
    holes = 0
    if boundary.any():
        holes, sentence = describe_holes(points, table, np.flatnonzero(boundary), unit)
        defects.append(sentence)
    if clashing.any():
        defects.append(
            describe_edges(points, table, clashing, "triangles that do not agree on the outside")
        )
    if crowded.any():
        defects.append(describe_edges(points, table, crowded, "three or more triangles"))
    if len(duplicates):
        defects.append(f"{count(len(duplicates), 'triangle')} present twice: {some(duplicates)}")
    if shape.zero_area.any():
        found = np.flatnonzero(shape.zero_area)
        defects.append(f"{count(len(found), 'triangle')} without area: {some(found)}")

    label, bodies = label_bodies(corners, table)
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
        stray, doubled, flat = surroundings(shape, label, bodies)
        first = np.unique(label, return_index=True)[1][-bodies:]
        if stray:
            defects.append(
                f"{count(len(stray), 'body', 'bodies')} facing inwards without being a cavity: "
                f"{some(first[stray], 'the one with triangle')}"
            )
        if flat:
            defects.append(
                f"{count(len(flat), 'body', 'bodies')} enclosing nothing: "
                f"{some(first[flat], 'the one with triangle')}"
            )
        if stray or doubled:
            volume = None
        if doubled:
            defects.append(
                f"{count(len(doubled), 'body', 'bodies')} inside the material of another or "
                f"crossing or touching it, so that material counts twice: "
                f"{some(first[doubled], 'the one with triangle')}"
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
    return repeated
