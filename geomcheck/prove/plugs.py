"""Faults of plugs: tilted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.project.assembly import Assembly
from geomcheck.project.connectors import ConnectorEntry
from geomcheck.prove.faults import Fault, Kind
from geomcheck.prove.field import Field, place

FloatArray: TypeAlias = NDArray[np.float64]

#: How far plugs are tilted about the middle of their socket's rim, degrees.
TILT = 15.0


def plugs(field: Field) -> Iterator[Fault]:
    """Tilted, as on a sensor that was turned on its boss after the list was made."""
    found: dict[str, tuple[ConnectorEntry, tuple[str, ...]]] = {}
    for name, assembly in field.assemblies.items():
        for _, entry in assembly.connectors:
            before = found[entry.name][1] if entry.name in found else ()
            found[entry.name] = (entry, (*before, name))
    rows = list(found.values())
    for k in field.chance.permutation(len(rows)):
        entry, where = rows[k]
        way = np.cross(np.array(entry.axis), field.chance.normal(size=3))
        way /= np.linalg.norm(way)
        tilt = np.radians(TILT)
        axis = np.cos(tilt) * np.array(entry.axis) + np.sin(tilt) * way
        if entry.up is not None and abs(float(np.dot(entry.up, axis))) > 0.99:
            continue
        other = entry.model_copy(update={"axis": tuple(map(float, axis))})
        yield Fault(
            Kind.PLUG,
            entry.name,
            f'plug "{entry.name}" tilted {TILT:.0f} degrees towards {place(way)}',
            where,
            _with(other),
            entry.part,
            {"at": entry.at},
        )


def _with(entry: ConnectorEntry) -> Callable[[Assembly], Assembly]:
    def alter(assembly: Assembly) -> Assembly:
        rows = tuple(
            (key, entry if one.name == entry.name else one) for key, one in assembly.connectors
        )
        return replace(assembly, connectors=rows, kept={}, shared={})

    return alter
