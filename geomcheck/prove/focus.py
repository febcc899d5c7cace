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
_BOLTS = (Kind.BOLT_MOVED, Kind.BOLT_TILTED, Kind.HOLE)


def focused(assembly: Assembly, fault: Fault) -> Assembly:
    """The assembly with the questions that concern a fault.

    Only what rests on neither the altered part nor the altered entry is left out: pairs of other
    parts, ducts it is no wall of, bolts out of reach of it. Parts themselves all stay.

    Parameters
    ----------
    assembly : Assembly
        With the fault in it.
    fault : Fault
    """
    at = fault.facts.get("at")
    box = _box(assembly, fault) if at is None else np.array([at, at], dtype=np.float64)
    ours = assembly.parts[fault.part].role != "neighbour"
    entries = {
        name: entry
        if name == fault.part or (entry.role != "neighbour") != ours
        else entry.model_copy(update={"gap": False})
        for name, entry in assembly.part_entries.items()
    }
    return replace(
        assembly,
        part_entries=entries,
        ducts=tuple(row for row in assembly.ducts if _duct(row[1], fault, box)),
        fasteners=tuple(row for row in assembly.fasteners if _fastener(row[1], fault, box)),
    )


def _box(assembly: Assembly, fault: Fault) -> FloatArray:
    """(2, 3) what the altered part takes up."""
    return assembly.parts[fault.part].bounds


def _off(points: FloatArray, box: FloatArray) -> float:
    """Least distance of points from a box, mm."""
    out = np.maximum(np.maximum(box[0] - points, points - box[1]), 0.0)
    return float(np.linalg.norm(out, axis=1).min())


def _duct(entry: DuctEntry, fault: Fault, box: FloatArray) -> bool:
    if fault.part not in (*entry.walls, *entry.obstacles):
        return False
    if fault.kind in _BOLTS:
        return fault.kind is Kind.HOLE
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
    if fault.kind in _BOLTS:
        return entry.name == fault.target
    if fault.kind in (Kind.SHIFTED, Kind.MIRRORED, Kind.UNIT) and entry.part == fault.part:
        return True
    return _off(np.array([entry.at]), box) <= TOOL
