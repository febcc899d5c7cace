"""Entries that are advised for one table of the project file, made one: keys stand there once."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from geomcheck.finding import Requirement, Verdict
from geomcheck.mesh.fits import furthest_off
from geomcheck.project.assembly import Assembly
from geomcheck.prove.telling import Advice

_POINTS, _SLACK = "on_surface", ("on_surface_tolerance", "size_tolerance")
#: What is asked where an entry states no tolerance.
_DEFAULTS = {"on_surface_tolerance": 0.5, "size_tolerance": 1.0}
_MEANT = {
    _POINTS: "in the file's axes, as it is now",
    "size": "mm, as it is now",
    "engagement": "mm, as now",
    "thread_depth": "mm; state that of the drawing",
    "least_area": "mm2, as it is now",
    "area": "mm2, as it is now",
}


def merged(advised: Sequence[Advice], assemblies: dict[str, Assembly]) -> tuple[Advice, ...]:
    """The same advice, with one text for all that belongs under one entry.

    Points for the surface of a part are put together where the part as it is still keeps them all;
    the others wait for the next proof.

    Parameters
    ----------
    advised : sequence of Advice
    assemblies : dict of str to Assembly
        By vehicle, as they are.
    """
    tables: dict[str, dict[str, Any]] = {}
    taken: dict[str, list[str]] = {}
    for told in advised:
        if told.add and told.under:
            mine = tables.setdefault(told.under, {})
            united = _united(mine, tomllib.loads(told.add))
            if _keeps(told.under, united, assemblies):
                mine.update(united)
                taken.setdefault(told.under, []).extend(told.replaces)
    return tuple(
        replace(
            told,
            add="\n".join(_line(key, value) for key, value in tables[told.under].items()),
            replaces=tuple(dict.fromkeys(taken[told.under])),
        )
        if told.add and told.under and tables.get(told.under)
        else told
        for told in advised
    )


def _united(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    both = one | other
    if _POINTS in one and _POINTS in other:
        both[_POINTS] = [*one[_POINTS], *(row for row in other[_POINTS] if row not in one[_POINTS])]
    for key in _SLACK:
        asked = key.removesuffix("_tolerance")
        given = [row.get(key, _DEFAULTS[key]) for row in (one, other) if asked in row]
        if given and min(given) < _DEFAULTS[key]:
            both[key] = min(given)
    return both


def _keeps(under: str, table: dict[str, Any], assemblies: dict[str, Assembly]) -> bool:
    """Whether the part an entry is of keeps the points it names, as part-sound judges it."""
    points = table.get(_POINTS)
    if points is None:
        return True
    tolerance = table.get(_SLACK[0], _DEFAULTS[_SLACK[0]])
    need = Requirement("at most", tolerance, "mm", _SLACK[0])
    return all(
        need.decide(furthest_off(part, points, tolerance).quantity) is Verdict.PASS
        for assembly in assemblies.values()
        for name, part in assembly.parts.items()
        if assembly.entry(assembly.part_keys[name]).entry == under
    )


def _line(key: str, value: Any) -> str:
    if key == _POINTS:
        text = ", ".join("[" + ", ".join(f"{x:.4f}" for x in row) + "]" for row in value)
        text = f"[{text}]"
    elif key == "size":
        text = "[" + ", ".join(f"{x:.2f}" for x in value) + "]"
    elif isinstance(value, list):
        text = "[" + ", ".join(f'"{one}"' for one in value) + "]"
    elif isinstance(value, dict):
        text = "{ " + ", ".join(f"{name} = {one:g}" for name, one in value.items()) + " }"
    else:
        text = f'"{value}"' if isinstance(value, str) else f"{value}"
    return f"{key} = {text}" + (f"   # {_MEANT[key]}" if key in _MEANT else "")
