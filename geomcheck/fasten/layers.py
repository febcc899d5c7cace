"""What a bolt clamps: the layers of metal under its head, and what lies between them.

Rays run along the axis from rings between the clearance hole and the edge of the head, and from
two wider rings, which see a joint whose faces only touch outside a recess. A ray tells a list of
layers; the list that most of the rays under the head tell is taken, and the share of those rays is
given with it. Flat faces square to the axis are measured exactly. What lies between two rays is
not seen: the rings are a sample, which is right for faces that have to bear, and would be wrong
for finding thin things in the way (the room of the shank is asked of the exact kernel instead).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from geomcheck.fasten.circle import IntArray
from geomcheck.fasten.column import PHASE, Column
from geomcheck.fasten.fastener import Fastener, FloatArray

#: Rays on each ring.
PLACES = 24
#: Rings between the clearance hole (0) and the edge of the bearing face (1).
UNDER_HEAD = (0.1, 0.3, 0.5, 0.7, 0.9)
#: Wider rings, over the greatest radius of the head: they only look for contact.
AROUND = (1.15, 1.4)
#: Metal thinner than this, mm, is no layer but a seam of the mesh.
THINNEST = 1e-3

#: One layer as one ray sees it: part, top, bottom, what the sagitta adds at the top and bottom.
Seen: TypeAlias = tuple[str, float, float, float, float]


@dataclass(frozen=True)
class Layer:
    """Metal of one part under the head.

    Parameters
    ----------
    part : str
    top, bottom : float
        Depth below the seat where it is highest, and lowest, under the head, mm; the bottom is
        inf where it goes on beyond what was looked at.
    slack : float
        How far its true faces may lie off along the axis, mm.
    spread : float
        How much the depth of its faces differs from ray to ray, mm.
    """

    part: str
    top: float
    bottom: float
    slack: float
    spread: float


@dataclass(frozen=True)
class Joint:
    """Where one layer follows another.

    Parameters
    ----------
    upper, lower : str
    depth : float
        Of the lower part's face, mm below the seat.
    gap : float
        Least distance of the two faces along the axis, mm; negative where they overlap.
    slack : float
        How far the gap may truly differ, mm.
    """

    upper: str
    lower: str
    depth: float
    gap: float
    slack: float


@dataclass(frozen=True)
class Stack:
    """The layers that most of the rays under the head meet, and the joints between them.

    ``share`` is the part of those rays that tell of them, 0 to 1.
    """

    layers: tuple[Layer, ...]
    joints: tuple[Joint, ...]
    share: float

    @property
    def parts(self) -> tuple[str, ...]:
        """Names in order, from the head down."""
        return tuple(layer.part for layer in self.layers)


def rings(fastener: Fastener) -> tuple[FloatArray, FloatArray]:
    """Places (k, 2) of the rays under the head, and of those around it."""
    inner = fastener.hole_radius
    outer = max(fastener.bearing_radius, inner * 1.05)
    under = [inner + part * (outer - inner) for part in UNDER_HEAD]
    around = [part * fastener.head_radius for part in AROUND]
    return _circles(under), _circles(around)


def _circles(radii: Sequence[float]) -> FloatArray:
    turn = 2.0 * math.pi / PLACES
    # Each ring is turned a little further, so that no line of the mesh is met by all.
    angle = PHASE + turn * np.arange(PLACES)
    rows = [
        radius * np.stack([np.cos(angle + 0.37 * n * turn), np.sin(angle + 0.37 * n * turn)], 1)
        for n, radius in enumerate(radii)
    ]
    return np.concatenate(rows)


def see(columns: Sequence[Column], places: FloatArray, high: float) -> list[list[Seen] | None]:
    """What each ray sees from the seat down to the depth ``high``; None where a mesh is faulty."""
    found: list[list[Seen] | None] = [[] for _ in places]
    for column in columns:
        if len(column) == 0:
            continue
        ray, depth, sign, slack = column.crossings(places)
        for number in np.unique(ray):
            rows = np.flatnonzero(ray == number)
            layers = _between(column.part.name, depth[rows], sign[rows], slack[rows])
            seen = found[number]
            if layers is None or seen is None:
                found[number] = None
                continue
            seen.extend(layers)
    for seen in found:
        if seen is not None:
            seen[:] = sorted(
                (layer for layer in seen if layer[2] > 0.05 and layer[1] < high),
                key=lambda layer: (layer[1], layer[2]),
            )
    return found


def _between(name: str, depth: FloatArray, sign: IntArray, slack: FloatArray) -> list[Seen] | None:
    """Layers from the surfaces one ray meets; None where they do not alternate."""
    if (sign[1:] == sign[:-1]).any():
        return None
    tops = [(-math.inf, 0.0)] if sign[0] < 0 else []
    tops += [(float(d), float(s)) for d, s in zip(depth[sign > 0], slack[sign > 0], strict=True)]
    ends = [(float(d), float(s)) for d, s in zip(depth[sign < 0], slack[sign < 0], strict=True)]
    if sign[-1] > 0:
        ends.append((math.inf, 0.0))
    return [
        (name, top, end, more, less)
        for (top, more), (end, less) in zip(tops, ends, strict=True)
        if end - top > THINNEST
    ]


def stack(
    under: Sequence[list[Seen] | None],
    around: Sequence[list[Seen] | None],
    *,
    last: str | None,
    before: float,
) -> Stack:
    """The layers most rays agree on.

    Parameters
    ----------
    under, around : lists of what each ray sees
        See :func:`see`.
    last : str or None
        The list ends with the first layer of this part.
    before : float
        Layers that begin below this depth are left out, mm; ``last`` is kept anyway.
    """
    lists = [_until(seen, last, before) for seen in under if seen is not None]
    names = Counter(tuple(layer[0] for layer in seen) for seen in lists)
    names.pop((), None)
    if not names:
        return Stack((), (), 0.0)
    most = max(names.items(), key=lambda item: (item[1], len(item[0]), item[0]))[0]
    own = [seen for seen in lists if tuple(layer[0] for layer in seen) == most]
    wider = [_until(seen, last, before) for seen in around if seen is not None]
    both = own + [seen for seen in wider if tuple(layer[0] for layer in seen) == most]
    layers = tuple(_layer([seen[n] for seen in own]) for n in range(len(most)))
    joints = tuple(_joint([(seen[n], seen[n + 1]) for seen in both]) for n in range(len(most) - 1))
    return Stack(layers, joints, len(own) / max(len(under), 1))


def _until(seen: list[Seen], last: str | None, before: float) -> list[Seen]:
    kept: list[Seen] = []
    for layer in seen:
        # A slot's far side may be the part the head sits on: its first layer does not end the list.
        if layer[0] == last and kept:
            return [*kept, layer]
        if layer[1] < before:
            kept.append(layer)
    return kept


def _layer(seen: Sequence[Seen]) -> Layer:
    tops, ends = [layer[1] for layer in seen], [layer[2] for layer in seen]
    spread = max(_range(tops), _range(ends))
    slack = max(max(layer[3], layer[4]) for layer in seen)
    return Layer(seen[0][0], min(tops), max(ends), slack, spread)


def _range(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return max(finite) - min(finite) if finite else 0.0


def _joint(seen: Sequence[tuple[Seen, Seen]]) -> Joint:
    least = min(seen, key=lambda pair: pair[1][1] - pair[0][2])
    upper, lower = least
    return Joint(
        upper[0],
        lower[0],
        min(pair[1][1] for pair in seen),
        lower[1] - upper[2],
        upper[4] + lower[3],
    )
