"""Leave out the questions that a fault cannot touch, so that one fault takes seconds."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import DuctEntry, FastenerEntry
from geomcheck.prove.faults import Fault, Kind

FloatArray: TypeAlias = NDArray[np.float64]

#: Farther from a fault than this no tool and no bolt can be concerned by it, mm.
TOOL = 400.0
#: Farther from a duct's path than this is no wall of it, mm.
DUCT = 100.0
#: Checks that ask of each duct, and of each bolt, for itself. All others are asked in full: they
#: lay bolts or pairs beside each other, or recall what the fault does not touch.
EACH = ("flow-", "fasten-reach", "fasten-withdraw", "fasten-length")
_WHOLE_PART = (
    Kind.SHIFTED, Kind.MIRRORED, Kind.SWAPPED, Kind.LEFT_OUT, Kind.SHRUNK, Kind.STALE, Kind.UNIT,
)  # fmt: skip


def focused(assembly: Assembly, fault: Fault, base: Assembly) -> Assembly:
    """The assembly with the ducts and bolts that concern a fault, for the checks of :data:`EACH`.

    Only what rests on neither the altered part nor the altered entry is left out: ducts it is no
    wall of, bolts out of reach of it. Parts themselves all stay.

    Parameters
    ----------
    assembly : Assembly
        With the fault in it.
    fault : Fault
    base : Assembly
        Without it.
    """
    box = _box(assembly, fault, base)
    return replace(
        assembly,
        kept={},
        ducts=tuple(row for row in assembly.ducts if _duct(row[1], fault, box)),
        fasteners=tuple(row for row in assembly.fasteners if _fastener(row[1], fault, box)),
    )


def _box(assembly: Assembly, fault: Fault, base: Assembly) -> FloatArray:
    """(2, 3) where the altered part is, or was, not what it was."""
    at = fault.facts.get("at")
    if at is not None:
        return np.array([at, at], dtype=np.float64)
    both = [one.parts[fault.part].bounds for one in (assembly, base) if fault.part in one.parts]
    return np.stack([np.min(both, axis=0)[0], np.max(both, axis=0)[1]])


def _off(points: FloatArray, box: FloatArray) -> float:
    """Least distance of points from a box, mm."""
    out = np.maximum(np.maximum(box[0] - points, points - box[1]), 0.0)
    return float(np.linalg.norm(out, axis=1).min())


def _duct(entry: DuctEntry, fault: Fault, box: FloatArray) -> bool:
    if fault.entry or fault.part not in (*entry.walls, *entry.obstacles):
        return False
    # A path that is found by itself may run anywhere in its walls.
    return not entry.path or _off(_filled(np.array(entry.path)), box) <= DUCT


def _filled(path: FloatArray) -> FloatArray:
    """Points along a path no farther apart than 10 mm or so."""
    rows = [path[-1:]]
    for begin, end in pairwise(path):
        count = 1 + int(np.linalg.norm(end - begin) // 10.0)
        rows.append(begin + (np.arange(count) / count)[:, None] * (end - begin))
    return np.concatenate(rows)


def _fastener(entry: FastenerEntry, fault: Fault, box: FloatArray) -> bool:
    if fault.bolt:
        return entry.name == fault.target
    if fault.kind in _WHOLE_PART and fault.part in (entry.part, entry.into):
        return True
    return _off(np.array([entry.at]), box) <= TOOL
