"""Solids the demo is made of: lofts, prisms, turned shapes, tubes, and their files.

Every curve is cut into chords so that no facet stands more than ``CHORD`` (mm) off the true
surface in either of its two directions. Corners lie on the true surface.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

Array = NDArray[np.float64]

#: Greatest distance of a chord from its arc, mm. Doubly curved facets add two of these.
CHORD = 0.012


def steps(radius: float, angle: float, chord: float = CHORD) -> int:
    """Chords needed for an arc of ``radius`` mm over ``angle`` radians."""
    if radius <= chord:
        return 1
    return max(1, math.ceil(abs(angle) / (2.0 * math.acos(1.0 - chord / radius))))


def circle(radius: float, n: int | None = None, at: tuple[float, float] = (0.0, 0.0)) -> Array:
    """(n, 2) corners of a circle; n is a multiple of 4, so that the quarter points are hit."""
    if n is None:
        n = steps(radius, 2.0 * math.pi)
    n = 4 * math.ceil(n / 4)
    angle = np.arange(n) * (2.0 * math.pi / n)
    return np.column_stack([at[0] + radius * np.cos(angle), at[1] + radius * np.sin(angle)])


def rounded(
    points: Sequence[tuple[float, float]], radii: Sequence[float], closed: bool = False
) -> Array:
    """(n, 2) polyline with its corners turned into arcs of the given radii (0 keeps a corner)."""
    corners = np.asarray(points, dtype=float)
    out: list[Array] = []
    for i, radius in enumerate(radii):
        here = corners[i]
        if radius <= 0.0 or (not closed and i in (0, len(corners) - 1)):
            out.append(here[None])
            continue
        back = corners[i - 1] - here
        on = corners[(i + 1) % len(corners)] - here
        back, on = back / np.linalg.norm(back), on / np.linalg.norm(on)
        half = 0.5 * math.acos(float(np.clip(back @ on, -1.0, 1.0)))
        middle = here + (back + on) / np.linalg.norm(back + on) * (radius / math.sin(half))
        start = here + back * (radius / math.tan(half)) - middle
        turn = math.pi - 2.0 * half
        sign = 1.0 if back[0] * on[1] - back[1] * on[0] < 0.0 else -1.0
        angle = np.linspace(0.0, sign * turn, steps(radius, turn) + 1)
        cos, sin = np.cos(angle), np.sin(angle)
        out.append(
            middle
            + np.column_stack([start[0] * cos - start[1] * sin, start[0] * sin + start[1] * cos])
        )
    return np.concatenate(out)


def outline(shape: Polygon) -> Array:
    """(n, 2) corners of a shape's outer ring, anticlockwise, none nearer than 0.02 mm."""
    ring = np.asarray(orient(shape.simplify(0.004), 1.0).exterior.coords)[:-1]
    keep = np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 0.02
    return np.asarray(ring[keep], dtype=float)


def soften(shape: Polygon, inner: float, outer: float) -> Polygon:
    """Round the hollow corners of a shape with radius ``inner``, then the others with ``outer``."""

    def grow(s: Polygon, by: float) -> Polygon:
        # shapely cuts a quarter turn into quad_segs chords
        return s.buffer(by, quad_segs=max(8, steps(abs(by), math.pi / 2)))

    if inner:
        shape = grow(grow(shape, inner), -inner)
    return grow(grow(shape, -outer), outer) if outer else shape


def offset(ring: Array, by: float) -> Array:
    """Move the sides of an anticlockwise ring outwards by ``by`` mm, corner for corner."""
    side = np.roll(ring, -1, axis=0) - ring
    side /= np.linalg.norm(side, axis=1)[:, None]
    out = np.column_stack([side[:, 1], -side[:, 0]])
    total = out + np.roll(out, 1, axis=0)
    return np.asarray(ring + by * 2.0 * total / np.einsum("ij,ij->i", total, total)[:, None])


def solid(vertices: Array, faces: NDArray[np.int64]) -> m3.Manifold:
    """A solid from corners and triangles; refuses what is not one."""
    mesh = m3.Mesh64(
        vert_properties=np.ascontiguousarray(vertices, dtype=np.float64),
        tri_verts=np.ascontiguousarray(faces, dtype=np.uint64),
    )
    made = m3.Manifold(mesh)
    if made.status() != m3.Error.NoError:
        raise ValueError(f"not a solid: {made.status()}")
    return made if made.volume() > 0.0 else solid(vertices, faces[:, ::-1])


def loft(rings: Array, flat: Array | None = None) -> m3.Manifold:
    """A solid through (k, n, 3) rings with planar ends.

    ``flat`` is the (n, 2) shape by which both ends are cut into triangles (the first ring's own
    x and y when not given).
    """
    k, n = rings.shape[:2]
    ends = np.asarray(m3.triangulate([rings[0, :, :2] if flat is None else flat]), dtype=np.int64)
    row = np.arange(n)
    on = np.roll(row, -1)
    sides = [
        block
        for i in range(k - 1)
        for block in (
            np.column_stack([row, on, on + n]) + i * n,
            np.column_stack([row, on + n, row + n]) + i * n,
        )
    ]
    faces = np.concatenate([*sides, ends[:, ::-1], ends + (k - 1) * n])
    return solid(rings.reshape(-1, 3), faces)


def slab(shape: Polygon | Array, profile: Array) -> m3.Manifold:
    """A flat shape along z, its outline moved by profile rows of (outwards, z), z rising."""
    ring = outline(shape) if isinstance(shape, Polygon) else shape
    return loft(
        np.stack([np.column_stack([offset(ring, by), np.full(len(ring), z)]) for by, z in profile]),
        flat=ring,
    )


def prism(
    shape: Polygon | Array, low: float, high: float, top: float = 0.0, bottom: float = 0.0
) -> m3.Manifold:
    """A flat shape from z = low to z = high, its rims rounded with the radii top and bottom."""
    corners = [(-bottom - 1.0, low), (0.0, low), (0.0, high), (-top - 1.0, high)]
    line = rounded(corners, [0.0, bottom, top, 0.0])[1:-1]
    return slab(shape, line)


def turned(profile: Array, n: int | None = None) -> m3.Manifold:
    """A profile of rows (radius, z) turned about z; the profile's ends are joined to the axis."""
    n = 4 * math.ceil((n or steps(float(profile[:, 0].max()), 2.0 * math.pi)) / 4)
    around = circle(1.0, n)
    rings = np.stack([np.column_stack([r * around, np.full(n, z)]) for r, z in profile if r > 1e-9])
    return loft(rings)


def rod(radius: float, low: float, high: float, n: int | None = None) -> m3.Manifold:
    """A round rod along z."""
    return turned(np.array([[radius, low], [radius, high]]), n)


def towards(
    shape: m3.Manifold, axis: Sequence[float], at: Sequence[float] = (0.0, 0.0, 0.0)
) -> m3.Manifold:
    """Turn a solid's z to ``axis`` and put its origin at ``at``."""
    z = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    x = np.cross([0.0, 1.0, 0.0] if abs(z[1]) < 0.9 else [0.0, 0.0, 1.0], z)
    x /= np.linalg.norm(x)
    frame = np.column_stack([x, np.cross(z, x), z])
    frame[np.abs(frame) < 1e-15] = 0.0
    return shape.transform(np.column_stack([frame, np.asarray(at, dtype=float)]))


def boss(
    radius: float,
    foot: float,
    top: float,
    flare: float = 4.0,
    edge: float = 1.0,
    draft: float = 0.03,
) -> m3.Manifold:
    """A boss along z from below ``foot`` to ``top``, flared at its foot, with draft."""
    low = radius + draft * (top - foot)
    line = [(low + flare, foot - 6.0), (low + flare, foot), (low, foot)]
    line += [(radius, top - edge), (radius - edge, top)]
    return turned(rounded(line, [0.0, 0.0, flare, 0.0, 0.0]))


def box(low: Sequence[float], high: Sequence[float]) -> m3.Manifold:
    """A box between two corners."""
    low_, high_ = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    return m3.Manifold.cube(tuple(high_ - low_)).translate(tuple(low_))


def bent_line(points: Sequence[Sequence[float]], radius: float, chord: float = CHORD) -> Array:
    """(n, 3) line through points with its corners turned into arcs of ``radius``."""
    way = np.asarray(points, dtype=float)
    out = [way[:1]]
    for before, here, after in zip(way, way[1:], way[2:], strict=False):
        back = (before - here) / np.linalg.norm(before - here)
        on = (after - here) / np.linalg.norm(after - here)
        half = 0.5 * math.acos(float(np.clip(back @ on, -1.0, 1.0)))
        middle = here + (back + on) / np.linalg.norm(back + on) * (radius / math.sin(half))
        u = here + back * (radius / math.tan(half)) - middle
        turn = math.pi - 2.0 * half
        v = -back * radius
        angle = np.linspace(0.0, turn, steps(radius, turn, chord) + 1)[:, None]
        out.append(middle + np.cos(angle) * u + np.sin(angle) * v)
    out.append(way[-1:])
    return np.concatenate(out)


def pipe(line: Array, section: Array, up: Sequence[float]) -> m3.Manifold:
    """Sweep an (n, 2) section along an (k, 3) line; the section's first axis stays near ``up``."""
    forward = np.gradient(line, axis=0)
    sides = np.diff(line, axis=0)
    sides /= np.linalg.norm(sides, axis=1)[:, None]
    forward[1:-1] = sides[1:] + sides[:-1]
    forward[0], forward[-1] = sides[0], sides[-1]
    forward /= np.linalg.norm(forward, axis=1)[:, None]
    x = np.asarray(up, dtype=float)
    rings = []
    for here, z in zip(line, forward, strict=True):
        x = x - z * (x @ z)
        x = x / np.linalg.norm(x)
        rings.append(here + section[:, :1] * x + section[:, 1:] * np.cross(z, x))
    return loft(np.stack(rings), flat=section)


def union(shapes: Iterable[m3.Manifold]) -> m3.Manifold:
    """All shapes as one solid."""
    return m3.Manifold.batch_boolean(list(shapes), m3.OpType.Add)
