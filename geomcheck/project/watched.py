"""A vehicle that notes what of its parts is asked for, so that an answer's key can hold just that.

Noted is each part that is handed out, and each question of which parts are near a place. An answer
follows from what was noted, the names, roles and classes of all parts, and the rest of the project
file, and from nothing else: whatever else of a part there is can only be had by asking for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, TypeAlias

import numpy as np

from geomcheck.mesh.part import FloatArray, Part, PartSet, Role
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import PartEntry

#: A part by name, or a question of which parts are near a place; JSON data.
Asked: TypeAlias = list[Any]


class _Notes:
    """What was asked for, each once."""

    def __init__(self) -> None:
        self._known: dict[str, Asked] = {}

    def add(self, *asked: Any) -> None:
        self._known.setdefault(json.dumps(asked), list(asked))

    def sorted(self) -> list[Asked]:
        return [self._known[text] for text in sorted(self._known)]


class _Parts(PartSet):
    """Placed parts; none of its base's data is here, so that nothing passes by unnoted."""

    def __init__(self, parts: PartSet, notes: _Notes) -> None:
        self._given = parts
        self._notes = notes

    def __getitem__(self, name: str) -> Part:
        part = self._given[name]
        self._notes.add("part", name)
        return part

    def __contains__(self, name: object) -> bool:
        return name in self._given

    def __iter__(self) -> Iterator[str]:
        return iter(self._given)

    def __len__(self) -> int:
        return len(self._given)

    @property
    def roles(self) -> dict[str, Role]:
        return self._given.roles

    def near(self, low: FloatArray, high: FloatArray) -> list[Part]:
        box = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
        self._notes.add("boxes", box[0].tolist(), box[1].tolist())
        return [self[part.name] for part in self._given.near(*box)]

    def names_near(self, low: FloatArray, high: FloatArray) -> tuple[str, ...]:
        self._notes.add("near", low.tolist(), high.tolist())
        return self._given.names_near(low, high)

    def names_above(
        self, at: FloatArray, axis: FloatArray, more: float, radius: float
    ) -> tuple[str, ...]:
        self._notes.add("above", at.tolist(), axis.tolist(), float(more), float(radius))
        return self._given.names_above(at, axis, more, radius)

    def span(self, at: FloatArray) -> float:
        self._notes.add("span", at.tolist())
        return self._given.span(at)


class _Entries(Mapping[str, PartEntry]):
    """Entries of parts, by name."""

    def __init__(self, entries: Mapping[str, PartEntry], notes: _Notes) -> None:
        self._given = entries
        self._notes = notes

    def __getitem__(self, name: str) -> PartEntry:
        entry = self._given[name]
        self._notes.add("part", name)
        return entry

    def __iter__(self) -> Iterator[str]:
        return iter(self._given)

    def __len__(self) -> int:
        return len(self._given)


@dataclass(frozen=True, eq=False)
class Watched(Assembly):
    """An assembly that notes what of its parts is asked for."""

    away: frozenset[str] = frozenset()
    notes: _Notes = field(default_factory=_Notes, repr=False)

    @property
    def open_for_tools(self) -> frozenset[str]:
        """Names of the parts that are out of the way while bolts are done up; not noted."""
        return self.away

    @property
    def asked(self) -> list[Asked]:
        """What was asked for up to now."""
        return self.notes.sorted()


def watch(assembly: Assembly) -> Watched:
    """The same vehicle, watched."""
    notes = _Notes()
    same = {one.name: getattr(assembly, one.name) for one in fields(Assembly)}
    same |= {
        "parts": _Parts(assembly.parts, notes),
        "part_entries": _Entries(assembly.part_entries, notes),
        # What was worked out unwatched would be found unnoted.
        "kept": {},
        "shared": {},
        "recall": None,
        "whole": None,
    }
    return Watched(**same, away=assembly.open_for_tools, notes=notes)


def known_to_all(assembly: Assembly) -> Any:
    """What a watched vehicle tells without a note, as JSON data."""
    rows = [(part.name, part.role, part.kind) for part in assembly.parts.values()]
    return [rows, sorted(assembly.open_for_tools), list(assembly.left_out)]


def answer(asked: Asked, parts: PartSet) -> Any:
    """What a vehicle's parts say now to a question of where they are, as JSON data.

    Parameters
    ----------
    asked : list
        As noted, but for parts.
    parts : PartSet
    """
    kind, *given = asked
    vectors: list[Any] = [np.array(one) if isinstance(one, list) else one for one in given]
    if kind == "boxes":
        return [part.name for part in parts.near(*vectors)]
    if kind == "near":
        return list(parts.names_near(*vectors))
    if kind == "above":
        return list(parts.names_above(*vectors))
    if kind == "span":
        return parts.span(*vectors)
    raise ValueError(f"no question of where parts are: {kind!r}")
