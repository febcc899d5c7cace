"""Shapes that both of the demo's vehicles need: pressed panels, pipes, belts, joint plates."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import manifold3d as m3
import numpy as np
from demo_layout import POCKETS, SCREWS, along_x, flange_shape, port_shape
from demo_shapes import Array, bent_line, box, circle, pipe, prism, rod, slab, solid, steps, union
from shapely.affinity import translate
from shapely.geometry import LineString, MultiPoint, Point, Polygon

#: Chord error of the neighbours, mm: as CAD exports have it.
COARSE = 0.1
GASKET = 1.5  # between housing and intake manifold
PORT_WIDER = 0.5  # the manifold's port than the housing's, all round


def grid(xs: Array, ys: Array, height: Callable[[Array, Array], Array]) -> Array:
    """(nx, ny, 3) corners over a grid."""
    x, y = np.meshgrid(xs, ys, indexing="ij")
    return np.stack([x, y, height(x, y)], axis=-1)


def sheet(corners: Array) -> Array:
    """(m, 3, 3) triangles of an open surface over a grid, facing up."""
    a, b = corners[:-1, :-1], corners[1:, :-1]
    c, d = corners[1:, 1:], corners[:-1, 1:]
    return np.concatenate(
        [
            np.stack([a, b, c], axis=2).reshape(-1, 3, 3),
            np.stack([a, c, d], axis=2).reshape(-1, 3, 3),
        ]
    )


def panel(corners: Array, thickness: float) -> m3.Manifold:
    """A closed sheet of metal above a grid."""
    nx, ny = corners.shape[:2]
    number = np.arange(nx * ny).reshape(nx, ny)
    a, b = number[:-1, :-1].ravel(), number[1:, :-1].ravel()
    c, d = number[1:, 1:].ravel(), number[:-1, 1:].ravel()
    top = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]) + nx * ny
    low = top[:, ::-1] - nx * ny
    rim = np.concatenate([number[:, 0], number[-1, 1:], number[-2::-1, -1], number[0, -2:0:-1]])
    on = np.roll(rim, -1)
    side = np.concatenate(
        [
            np.column_stack([rim, on, on + nx * ny]),
            np.column_stack([rim, on + nx * ny, rim + nx * ny]),
        ]
    )
    points = np.concatenate(
        [corners.reshape(-1, 3), corners.reshape(-1, 3) + np.array([0, 0, thickness])]
    )
    return solid(points, np.concatenate([top, low, side]))


def step(value: Array, begin: float, end: float) -> Array:
    """0 before ``begin``, 1 after ``end``, smooth between."""
    t = np.clip((value - begin) / (end - begin), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def hat(value: Array, middle: float, flat: float, slope: float) -> Array:
    """A pressed rib's section: 1 within ``flat``/2 of the middle, 0 beyond the slopes."""
    return np.asarray(1.0 - step(np.abs(value - middle), flat / 2, flat / 2 + slope))


def tube(points: Sequence[Sequence[float]], bend: float, radius: float) -> m3.Manifold:
    """A bent round pipe, drawn solid; a corner of its section faces each of ``up`` and sides."""
    ring = circle(radius, steps(radius, 2.0 * math.pi, COARSE))
    up = (0.0, 0.0, 1.0) if abs(points[1][2] - points[0][2]) < 1e-9 else (1.0, 0.0, 0.0)
    return pipe(bent_line(points, bend, COARSE), ring, up)


def belt(low: float, high: float, wheels: Sequence[tuple[float, float, float]]) -> m3.Manifold:
    """A belt round wheels (y, z, radius), from x = low to x = high, 4 mm thick."""

    def around(extra: float) -> Polygon:
        rings = [circle(r + extra, steps(r, 2.0 * math.pi, 0.02), (y, z)) for y, z, r in wheels]
        return MultiPoint(np.concatenate(rings)).convex_hull

    return along_x(prism(around(4.0), low, high) - prism(around(0.0), low - 1.0, high + 1.0))


def wheel(x: float, y: float, z: float, radius: float, width: float) -> m3.Manifold:
    """A pulley about x with a hollow web."""
    body = rod(radius, 0.0, width, steps(radius, 2 * math.pi, COARSE))
    hollow = rod(radius - 8.0, width / 2 + 3.0, width + 1.0, 64)
    hub = rod(14.0, 2.0, width + 4.0, 32) - rod(6.0, 0.0, width + 5.0, 24)
    return along_x((body - hollow + hub).translate((y, z, x)))


def joint_plate(
    thickness: float, port_off: float = 0.0, holes_off: dict[str, float] | None = None
) -> m3.Manifold:
    """The manifold's joint plate under the housing, a gasket away and 1 mm larger all round.

    Its port is shifted by ``port_off`` mm along x, its tapped holes along y by ``holes_off``.
    """
    off = holes_off or {}
    top = -GASKET
    shape = Polygon(flange_shape().simplify(0.03).buffer(1.0, quad_segs=12).exterior).simplify(0.03)
    plate = prism(shape, top - thickness, top)
    port = translate(port_shape().simplify(0.02).buffer(PORT_WIDER, join_style="mitre"), port_off)
    cuts = [prism(port, top - thickness - 1.0, top + 1.0)]
    cuts += [
        rod(3.4, top - thickness - 1.0, top + 1.0, 32).translate((x, y + off.get(name, 0.0), 0.0))
        for name, x, y, _ in SCREWS
    ]
    for x0, y0, x1, y1 in POCKETS[:6]:
        cuts.append(box((x0 + 4, y0 + 4, top - thickness - 1.0), (x1 - 4, y1 - 4, top + 1.0)))
    return plate - union(cuts)


def rounded_box(low: Sequence[float], high: Sequence[float], radius: float) -> m3.Manifold:
    """A box with its upright edges rounded and its rims bevelled."""
    shape = Polygon([(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])])
    shape = shape.buffer(-radius).buffer(radius, quad_segs=8)
    bevel = 0.4 * radius
    rows = [(-bevel, low[2]), (0, low[2] + bevel), (0, high[2] - bevel), (-bevel, high[2])]
    return slab(shape, np.array(rows))


def ribbon(points: Sequence[tuple[float, float]], width: float) -> Polygon:
    """A flat strip along a line, with rounded corners."""
    return LineString(points).buffer(width / 2, quad_segs=6, cap_style="flat")


def disc(x: float, y: float, radius: float) -> Polygon:
    """A round shape in a plan."""
    return Point(x, y).buffer(radius, quad_segs=12)
