"""Choose faults for a project: the same ones each time, for the same seed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import zip_longest

import numpy as np

from geomcheck.finding import Result
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import Unit
from geomcheck.prove.bolts import bolts, holes, holes_moved, lengths, tilted
from geomcheck.prove.faults import Fault, Kind
from geomcheck.prove.field import Field
from geomcheck.prove.joints import ports, sunk
from geomcheck.prove.plugs import plugs
from geomcheck.prove.stale import stale
from geomcheck.prove.walls import ducts, elsewhere, near
from geomcheck.prove.whole_parts import (
    left_out,
    mirrored,
    shifted,
    shrunk,
    swapped,
    triangles,
    units,
)


def choose(
    assemblies: dict[str, Assembly],
    base: Result,
    *,
    unit: Unit = "mm",
    kinds: Sequence[Kind] = (),
    most: int | None = None,
    seed: int = 0,
) -> list[Fault]:
    """Faults to plant, of each kind in turn.

    Parameters
    ----------
    assemblies : dict of str to Assembly
        By vehicle.
    base : Result
        What the gate says of them as they are.
    unit : str
        Of mesh files whose entries state none.
    kinds : sequence of Kind
        Only these; all if empty.
    most : int, optional
        No more than these in all.
    seed : int
        Another seed chooses other places and parts.
    """
    makers: dict[Kind, Callable[[Field], Iterable[Fault]]] = {
        Kind.GROWN_NEAR: near, Kind.GROWN: elsewhere, Kind.DUCT: ducts, Kind.SHIFTED: shifted,
        Kind.MIRRORED: mirrored, Kind.UNIT: units, Kind.TRIANGLE: triangles,
        Kind.BOLT_MOVED: bolts, Kind.BOLT_TILTED: tilted, Kind.HOLE: holes,
        Kind.SUNK: sunk, Kind.PORT: ports, Kind.SWAPPED: swapped, Kind.SHRUNK: shrunk,
        Kind.BOLT_LENGTH: lengths, Kind.HOLE_MOVED: holes_moved, Kind.PLUG: plugs,
        Kind.LEFT_OUT: left_out, Kind.STALE: stale,
    }  # fmt: skip
    rows = []
    for number, (kind, maker) in enumerate(makers.items()):
        if not kinds or kind in kinds:
            # Each kind has numbers of its own: asking for one kind alone gives the same faults.
            around = Field(assemblies, base, np.random.default_rng([seed, number]), unit)
            rows.append(_first(maker(around), most))
    order = [fault for turn in zip_longest(*rows) for fault in turn if fault is not None]
    return order[:most]


def _first(faults: Iterable[Fault], most: int | None) -> list[Fault]:
    found = []
    for fault in faults:
        found.append(fault)
        if most is not None and len(found) >= most:
            break
    return found
