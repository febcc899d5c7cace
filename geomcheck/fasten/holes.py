"""Round holes found in a mesh: axis, radius, depth, through or blind, stepped bores as one hole.

Method: walls are found and fitted by :mod:`geomcheck.fasten.cylinders`; what closes each end of a
wall, and which walls on one axis belong together, by :mod:`geomcheck.fasten.ends`. The radius is
that of the circle through the facets' corners, which lie on the true one. Measured against holes
of 12 to 64 segments (``tests/fasten/test_holes_found.py``): without noise, radius and place within
the rounding of the corners; with 0.02 mm of noise on every corner, place within 0.015 mm for holes
of 32 corners and more. A wall with a rounded floor or mouth is found from five facets on, but not
on a noisy mesh. Taper up to about 3 degrees is taken for a cylinder and shows as residual.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.cylinders import FloatArray, Surface, Wall, find_walls, fit_wall
from geomcheck.fasten.ends import Cone, End, coaxial, look_at_end
from geomcheck.finding import Point

#: Share of the turn a wall must cover to be a hole: 300 degrees.
LEAST_COVER = 300.0 / 360.0
#: Pieces of one wall may differ by this share of the radius.
ALIKE = 0.02


@dataclass(frozen=True)
class Bore:
    """One cylinder of a hole.

    Parameters
    ----------
    radius : float
        mm, of the circle through the facets' corners.
    top, bottom : float
        Depth below the mouth, mm; of the farthest corners where the hole breaks out aslant.
    residual : float
        Root mean square distance of the corners from the fitted cylinder, mm.
    error : float
        mm; three times the standard deviation of the axis at the bore's end that the residual
        makes likely, and the rounding of the corners.
    cover : float
        Share of the turn that has wall, 0 to 1.
    corners : int
        How many corners the fit rests on.
    """

    radius: float
    top: float
    bottom: float
    residual: float
    error: float
    cover: float
    corners: int


@dataclass(frozen=True)
class Hole:
    """A round hole, drilled or cast.

    Parameters
    ----------
    at : Point
        Where the axis leaves the mouth, mm.
    axis : Point
        Unit vector along the axis, out of the mouth.
    bores : tuple of Bore
        From the mouth inwards: counterbore, then shank.
    ends : (str, str)
        Of the mouth and of the bottom: ``open``, ``closed`` or ``partly closed``.
    tip : float
        Depth of the deepest point of a closed bottom beyond the last bore, mm.
    countersink : Cone or None
        The cone at the mouth, or between two bores.
    """

    at: Point
    axis: Point
    bores: tuple[Bore, ...]
    ends: tuple[str, str]
    tip: float = 0.0
    countersink: Cone | None = None

    @property
    def shank(self) -> Bore:
        """The narrowest bore."""
        return min(self.bores, key=lambda bore: bore.radius)

    @property
    def radius(self) -> float:
        """Of the narrowest bore, mm."""
        return self.shank.radius

    @property
    def through(self) -> bool:
        """Whether both ends are open; a partly closed end is not."""
        return self.ends == ("open", "open")

    @property
    def depth(self) -> float:
        """From the mouth to the end of the last bore, without the drill's point, mm."""
        return self.bores[-1].bottom

    def point(self, depth: float) -> Point:
        """The point of the axis at a depth below the mouth."""
        x, y, z = (p - depth * a for p, a in zip(self.at, self.axis, strict=True))
        return (x, y, z)

    def offset(self, point: Sequence[float]) -> float:
        """Distance of a point from the axis, mm."""
        away = np.asarray(point, dtype=np.float64) - np.asarray(self.at)
        axis = np.asarray(self.axis)
        return float(np.linalg.norm(away - (away @ axis) * axis))


def find_holes(
    shape: Any,
    *,
    radius: tuple[float, float] = (1.0, 15.0),
    cover: float = LEAST_COVER,
    noise: float = 0.0,
) -> tuple[Hole, ...]:
    """All round holes of a part.

    Parameters
    ----------
    shape : Part, trimesh.Trimesh or (m, 3, 3) float
        In place, mm. A part's or a Trimesh's corners must be merged already; those of an array
        are merged here. Its facets must face out of the material.
    radius : (float, float)
        Least and greatest, mm.
    cover : float
        Least share of the turn that has wall, 0 to 1.
    noise : float
        Standard deviation of the corners, mm, as of a scan; 0 for a mesh of a model.

    Returns
    -------
    tuple of Hole
        By place of the mouth: x, then y, then z.

    Raises
    ------
    InputError
        The range of radii, the cover or the noise makes no sense, or the shape has no triangles.
    """
    if not 0.0 < radius[0] < radius[1] < math.inf:
        raise InputError(f"holes of radius {radius[0]:g} to {radius[1]:g} mm make no sense")
    if not (0.0 < cover <= 1.0 and 0.0 <= noise < math.inf):
        raise InputError("the share of the turn must lie in 0 to 1, the noise be 0 mm or more")
    points, faces = _arrays(shape)
    surface = Surface.of(points, faces, noise)
    pieces = find_walls(surface, radius, noise)
    walls = [wall for wall in _whole(surface, pieces, radius, noise) if wall.cover >= cover]
    number = np.full(len(faces), -1, dtype=np.int64)
    for n, wall in enumerate(walls):
        number[wall.faces] = n
    ends = {
        (n, side): look_at_end(surface, walls, number, n, side)
        for n in range(len(walls))
        for side in (1, -1)
    }
    found = [_hole(surface, walls, stack, ends) for stack in _stacks(walls, ends)]
    return tuple(sorted(found, key=lambda hole: (hole.at, hole.axis)))


def _arrays(shape: Any) -> tuple[FloatArray, Any]:
    if hasattr(shape, "vertices") and hasattr(shape, "faces"):
        points = np.ascontiguousarray(shape.vertices, dtype=np.float64)
        faces = np.ascontiguousarray(shape.faces, dtype=np.int64)
    else:
        triangles = np.asarray(shape, dtype=np.float64)
        if triangles.ndim != 3 or triangles.shape[1:] != (3, 3):
            raise InputError(f"a mesh has triangles of shape (m, 3, 3), not {triangles.shape}")
        points, index = np.unique(triangles.reshape(-1, 3) + 0.0, axis=0, return_inverse=True)
        faces = np.ascontiguousarray(index.reshape(-1, 3), dtype=np.int64)
    if len(faces) == 0 or not np.isfinite(points).all():
        raise InputError("a mesh to find holes in needs triangles with finite corners")
    return points, faces


def _whole(
    surface: Surface, walls: list[Wall], radius: tuple[float, float], noise: float
) -> list[Wall]:
    """Pieces of one wall, parted by a keyway or a cross hole, joined and fitted anew."""
    out: list[Wall] = []
    pieces = [wall for wall in walls if wall.cover < LEAST_COVER]
    while pieces:
        first = pieces.pop(0)
        mine = [
            other
            for other in pieces
            if coaxial(first, other, ALIKE * first.radius)
            and abs(other.radius - first.radius) < ALIKE * first.radius
            and _overlap(first, other)
        ]
        if mine:
            faces = np.sort(np.concatenate([first.faces, *(wall.faces for wall in mine)]))
            joined = fit_wall(surface, faces, first.axis, radius, noise)
            if joined is not None:
                pieces = [piece for piece in pieces if all(piece is not m for m in mine)]
                first = joined
        out.append(first)
    return [wall for wall in walls if wall.cover >= LEAST_COVER] + out


def _overlap(a: Wall, b: Wall) -> bool:
    """Whether two walls on one axis lie beside each other."""
    shift = float((b.point - a.point) @ a.axis)
    turn = 1.0 if float(a.axis @ b.axis) > 0.0 else -1.0
    low, high = sorted((shift + turn * b.begin, shift + turn * b.end))
    return min(a.end, high) - max(a.begin, low) > 0.3 * min(a.end - a.begin, high - low)


def _stacks(walls: list[Wall], ends: dict[tuple[int, int], End]) -> list[list[int]]:
    """Numbers of the walls that make one hole each."""
    group = list(range(len(walls)))

    def root(n: int) -> int:
        while group[n] != n:
            n = group[n]
        return n

    for (n, _), end in sorted(ends.items()):
        for other in end.next_walls:
            a, b = sorted((root(n), root(other)))
            group[b] = a
    stacks: dict[int, list[int]] = {}
    for n in range(len(walls)):
        stacks.setdefault(root(n), []).append(n)
    return list(stacks.values())


def _hole(
    surface: Surface, walls: list[Wall], stack: list[int], ends: dict[tuple[int, int], End]
) -> Hole:
    main = max((walls[n] for n in stack), key=lambda wall: wall.end - wall.begin)
    spans = []
    for n in stack:
        wall = walls[n]
        shift = float((wall.point - main.point) @ main.axis)
        turn = 1 if float(wall.axis @ main.axis) > 0.0 else -1
        low, high = sorted((shift + turn * wall.begin, shift + turn * wall.end))
        spans.append((low, high, n, turn))
    spans.sort(key=lambda span: (span[0] + span[1], span[2]))
    last, first = spans[-1], spans[0]
    over, under = ends[last[2], last[3]], ends[first[2], -first[3]]
    # Out of the mouth: the open end; of two, the countersunk or the wider one.
    up = _rank(over, walls[last[2]]) >= _rank(under, walls[first[2]])
    if not up:
        over, under = under, over
    way = 1.0 if up else -1.0
    axis = way * main.axis
    mouth = last[1] if up else -first[0]
    if over.cone is not None and not over.next_walls:
        mouth += over.cone.depth
    bores = []
    for low, high, n, _ in reversed(spans) if up else spans:
        wall = walls[n]
        top, bottom = (mouth - high, mouth - low) if up else (mouth + low, mouth + high)
        spread = wall.residual * math.sqrt(wall.corners / max(1.0, wall.corners - 5.0))
        error = 6.0 * spread * math.sqrt(2.0 / wall.corners) + surface.resolution
        bores.append(Bore(wall.radius, top, bottom, wall.residual, error, wall.cover, wall.corners))
    cones = [ends[n, side].cone for n in stack for side in (1, -1)]
    at = main.point + mouth * axis
    return Hole(
        _point(at),
        _point(axis),
        tuple(bores),
        (over.state, under.state),
        under.tip,
        next((cone for cone in cones if cone is not None), None),
    )


def _rank(end: End, wall: Wall) -> tuple[int, int, float]:
    order = ("closed", "partly closed", "open").index(end.state)
    return (order, end.cone is not None, round(wall.radius, 4))


def _point(values: FloatArray) -> Point:
    return (float(values[0]) + 0.0, float(values[1]) + 0.0, float(values[2]) + 0.0)
