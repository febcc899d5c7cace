"""Where a void leaks: the narrowest place the flood went through on its way out."""

from __future__ import annotations

from typing import NoReturn

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow import seams
from geomcheck.flow.floods import Flood, Scene, seen
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.kernels import grid as kernel
from geomcheck.mesh.probe import first_hit, point_distance

#: Steps of the search for the widest way out.
_STEPS = 24
_REMEDY = (
    "close the hole or gap there, add the part that closes it to the walls, give the opening as a "
    "port, or have openings of that width sealed"
)


def refuse(scene: Scene, found: Flood) -> NoReturn:
    """Raise what there is to say about a flood that leaked.

    Raises
    ------
    InputError
        A port's normal points into the duct.
    CannotDecide
        The void leaks: where, and how wide the opening is.
    """
    _refuse_turned(scene, found)
    place, width = _narrowest(scene, found)
    if found.escaped:
        what = "the void leaks"
    else:
        what = "the void leaks through to the back of a wall"
    raise CannotDecide(
        f"{what} at {_place(place)} through an opening about {_wide(width)} mm wide",
        remedy=_REMEDY,
        where=_names(scene, found),
    )


def _names(scene: Scene, found: Flood) -> str:
    names = [scene.surfaces[k].name for k in found.behind if k < len(scene.surfaces)]
    return ", ".join(f'"{name}"' for name in names if name)


def _refuse_turned(scene: Scene, found: Flood) -> None:
    """A port from whose other side the flood stays in: its normal points the wrong way."""
    grid = found.grid
    for port, door in zip(scene.ports, found.doors, strict=True):
        outer = door.cell + door.way * grid.steps[door.axis]
        mark = np.where(found.mark == -1, -1, 0).astype(np.int32)
        kernel.flood(found.links, grid.steps, outer, mark, 1)
        wet = (mark == 1).reshape(grid.shape)
        if not wet.any():
            continue
        sides = [np.moveaxis(wet, axis, 0)[end].any() for axis in range(3) for end in (0, -1)]
        others = [d for d in found.doors if d is not door and len(d.cell)]
        meets = not others or any((mark[d.cell] == 1).any() for d in others)
        inner = np.where(found.mark == -1, -1, 0).astype(np.int32)
        kernel.flood(found.links, grid.steps, door.cell, inner, 1)
        layers = (inner == 1).reshape(grid.shape)
        out = [np.moveaxis(layers, axis, 0)[end].any() for axis in range(3) for end in (0, -1)]
        if not any(sides) and meets and any(out):
            raise InputError(
                f'the normal of "{port.name}" points into the duct at {_place(port.point)}',
                remedy="turn the normal round: it points out of the duct",
            )


def _narrowest(scene: Scene, found: Flood) -> tuple[FloatArray, float]:
    """Point in the opening the flood went through, and its width across there, mm."""
    grid = found.grid
    wet = found.cells
    rest = point_distance(scene.tree, grid.centres(wet))
    room = np.zeros(grid.size)
    room[wet] = rest.distance
    if found.escaped:
        low, high = scene.bounds
        where = grid.centres(wet)
        out = wet[((where < low) | (where > high)).any(axis=1)]
        return _across(scene, grid.centres(np.array([_bottleneck(found, room, out)])))
    # Front and back of walls by the cell's nearest facet: the opening lies between the two.
    back = _backs(scene, grid.centres(wet) - rest.point, rest.triangle)
    behind = np.zeros(grid.size, np.bool_)
    behind[wet[back]] = True
    flooded = found.mark == 1
    best, gap = None, -1.0
    for axis, step in enumerate(grid.steps):
        low_cells = np.flatnonzero(found.links[axis] & flooded)
        mixed = low_cells[behind[low_cells] != behind[low_cells + step]]
        if len(mixed):
            least = np.minimum(room[mixed], room[mixed + step])
            at = int(np.argmax(least))
            if least[at] > gap:
                gap = float(least[at])
                best = grid.centres(mixed[at : at + 1])[0]
                best[axis] += 0.5 * grid.h
    if best is None:
        cell, _, faces = seen(found, flooded)
        first = np.flatnonzero(~faces if not scene.solid else faces)[:1]
        best, gap = grid.centres(cell[first])[0], float(room[cell[first][0]])
    return best, 2.0 * gap


def _backs(scene: Scene, away: FloatArray, triangle: IntArray) -> BoolArray:
    """(n,) whether cells lie on the wrong side of their nearest facet."""
    tri = scene.tree.triangles[np.argsort(scene.tree.order)[triangle]]
    n = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    side = (n * away).sum(axis=1)
    return np.asarray(side > 0.0 if scene.solid else side < 0.0)


def _bottleneck(found: Flood, room: FloatArray, out: IntArray) -> int:
    """The cell with the least room on the widest way from a port to the cells ``out``."""
    grid = found.grid
    seeds = np.concatenate([door.cell for door in found.doors if len(door.cell)])
    seeds = seeds[found.mark[seeds] == 1]
    start = seeds[np.argmax(room[seeds])][None]
    low, high = 0.0, float(min(room[start].max(), room[out].max()))

    def leaks(level: float) -> BoolArray | None:
        mark = np.where((found.mark == 1) & (room >= level), 0, -1).astype(np.int32)
        kernel.flood(found.links, grid.steps, start, mark, 1)
        return mark == 1 if (mark[out] == 1).any() else None

    reached = leaks(high)
    if reached is not None:
        return int(start[0])
    reached = leaks(0.0)
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        trial = leaks(middle)
        if trial is None:
            high = middle
        else:
            low, reached = middle, trial
    assert reached is not None
    held = np.flatnonzero(reached)
    return int(held[np.argmin(room[held])])


def _across(scene: Scene, point: FloatArray) -> tuple[FloatArray, float]:
    """Middle and width of an opening, through a point in it along the line to its nearest wall."""
    near = point_distance(scene.tree, point)
    way = near.point - point
    if not np.linalg.norm(way) > 0:
        return point[0], 0.0
    way = way / np.linalg.norm(way)
    far, _ = first_hit(scene.tree, point, -way)
    if not np.isfinite(far[0]):
        return point[0], 2.0 * float(near.distance[0])
    middle = point[0] + 0.5 * (near.distance[0] - far[0]) * way[0]
    return middle, float(near.distance[0] + far[0])


def sealed(scene: Scene, found: Flood) -> list[tuple[FloatArray, float]]:
    """Openings that were sealed: a point in each and its width, mm.

    Cells beyond the flood that are still linked to it, joined over their links, are one opening
    each. Then the gaps between bodies that the cells do not see.

    Raises
    ------
    CannotDecide
        A gap between bodies is wider than what is to be sealed.
    """
    places = [] if found.dry is None else _dried(scene, found)
    for gap in seams.gaps(scene, found):
        if gap.width > scene.seal:
            names = " and ".join(f'"{name}"' for name in sorted(set(gap.between)) if name)
            raise CannotDecide(
                f"the void leaks at {_place(gap.point)} through an opening about "
                f"{_wide(gap.width)} mm wide",
                remedy=_REMEDY,
                where=names,
            )
        if not any(abs(width - gap.width) < 0.05 * width for _, width in places):
            places.append((gap.point, gap.width))
    return places


def _dried(scene: Scene, found: Flood) -> list[tuple[FloatArray, float]]:
    grid = found.grid
    flooded = found.mark == 1
    # Links that stay open from the flood to what it no longer reaches.
    edge: list[IntArray] = []
    for axis, step in enumerate(grid.steps):
        low = np.flatnonzero(found.links[axis])
        a, b = flooded[low], flooded[low + step]
        edge += [low[a & ~b & (found.mark[low + step] == 0)] + step]
        edge += [low[b & ~a & (found.mark[low] == 0)]]
    beyond = np.unique(np.concatenate(edge))
    places: list[tuple[FloatArray, float]] = []
    mark = np.where(flooded, -1, found.mark).astype(np.int32)
    for seed in beyond:
        if mark[seed] != 0:
            continue
        kernel.flood(found.links, grid.steps, np.array([seed]), mark, 1)
        mine = beyond[mark[beyond] == 1]
        mark[mark == 1] = 2
        where = grid.centres(mine)
        middle = where[int(np.argmin(((where - where.mean(axis=0)) ** 2).sum(axis=1)))]
        places.append(_across(scene, middle[None]))
    return places


def _wide(width: float) -> str:
    return f"{width:.2f}" if width < 10 else f"{width:.0f}"


def _place(values: FloatArray) -> str:
    return "(" + ", ".join(f"{round(float(x), 2) + 0.0:.2f}" for x in values) + ")"
