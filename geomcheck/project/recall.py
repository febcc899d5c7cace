"""Answers recalled where nothing that they rest on has changed, question by question.

A question names the parts it rests on, and is asked of an assembly that has no others. Its key
holds those parts (mesh, entry, place), all of the project file that is not about other parts or
other vehicles, the state, the code and the libraries. Where the question cannot name its parts it
names all of the vehicle; or it is asked of a vehicle that is watched (:mod:`.watched`), and the key
holds what it asked for: the parts it was handed, and which were near where it looked. What was
asked for is kept, and asked again before the answer is: only where all is as it was is it the key
of that answer. Lines of the project file are looked up anew.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from geomcheck.finding import Finding
from geomcheck.project.assembly import Assembly
from geomcheck.project.lines import LineMap
from geomcheck.project.watched import Asked, answer, known_to_all, watch
from geomcheck.store import Store
from geomcheck.store.codec import from_findings, to_findings
from geomcheck.store.prints import code, digest

#: Ways to an answer that are remembered, by question: as many revisions of parts are told apart.
WAYS = 8

#: Tables of the project file that no answer rests on, or only through the parts.
_APART = ("part", "vehicle", "waiver", "baseline")


class Recall:
    """What is known of one vehicle from earlier runs, and what this run adds.

    Parameters
    ----------
    store : Store
    assembly : Assembly
        As it stands, in no state.
    files : mapping of str to str
        Hash of each mesh file, by its name in the project file.
    """

    def __init__(self, store: Store, assembly: Assembly, files: Mapping[str, str]) -> None:
        self._store = store
        self._lines = _places(assembly.lines)
        self._rest = _rest(assembly)
        self._parts = {name: _part(assembly, name, files) for name in assembly.parts}
        self._all = digest(self._parts)
        self._bounds = assembly.housing.bounds.tolist()
        self._laid = {
            name for name, entry in assembly.part_entries.items() if entry.refine is not None
        }
        #: What this run found out, by key; not yet in the store.
        self.fresh: dict[str, Any] = {}

    def key(self, what: Sequence[Any], names: Iterable[str], state: str) -> str:
        """Key of a question about some parts."""
        chosen = sorted(set(names))
        # A part laid on others stands where they let it.
        others = self._all if self._laid.intersection(chosen) else ""
        parts = [(name, self._parts[name]) for name in chosen]
        return digest(code(), self._rest, list(what), state, parts, others, self._bounds)

    def ways(self, what: Sequence[Any], assembly: Assembly) -> tuple[str, list[list[Asked]]]:
        """Key of what a watched question asked for in earlier runs, and that, the latest first."""
        known = known_to_all(assembly)
        key = digest(code(), self._rest, ["asked", *what], assembly.state, known)
        return key, self.get(key) or []

    def key_of(self, base: str, asked: Sequence[Asked], assembly: Assembly) -> str:
        """Key of the answer that rests on what was asked for; ``base`` as from :meth:`ways`.

        Parts that are not there any more count, too: as that.
        """
        return digest(base, [(one, self._now(one, assembly)) for one in asked])

    def _now(self, asked: Asked, assembly: Assembly) -> Any:
        if asked[0] != "part":
            return answer(asked, assembly.parts)
        name = asked[1]
        # A part laid on others stands where they let it.
        return [self._parts[name], self._all if name in self._laid else ""]

    def get(self, key: str) -> Any:
        """JSON data kept under a key, or None."""
        return self.fresh[key] if key in self.fresh else self._store.get(key)

    def findings(self, key: str) -> tuple[Finding, ...] | None:
        """Findings kept under a key, on the lines their entries stand on now; None if unknown."""
        data = self.get(key)
        if data is None:
            return None
        found = []
        for finding in from_findings(data):
            entry = finding.entry
            if entry is not None:
                line = _line(self._lines, entry.entry)
                if line is None:
                    return None
                finding = replace(finding, entry=replace(entry, line=line))
            found.append(finding)
        return tuple(found)

    def take(self) -> dict[str, Any]:
        """What was found out since this was last called."""
        taken, self.fresh = self.fresh, {}
        return taken


def recalled(
    assembly: Assembly,
    check: str,
    names: Iterable[str],
    what: Sequence[Any],
    ask: Callable[[Assembly], Finding | Iterable[Finding]],
) -> tuple[Finding, ...]:
    """Findings of one question, from an earlier run or by asking.

    Parameters
    ----------
    assembly : Assembly
    check : str
        Code of the check that asks.
    names : iterable of str
        The parts it rests on.
    what : sequence
        JSON data that tells the question from the check's others about the same parts.
    ask : callable
        Answers it, from an assembly that has these parts only. What it raises is not kept.
    """
    names = tuple(names)
    recall = assembly.recall
    if recall is None:
        return _all(ask(assembly.only(names)))
    key = recall.key(("findings", check, *what), names, assembly.state)
    known: tuple[Finding, ...] | None = recall.findings(key)
    if known is None:
        known = _all(ask(assembly.only(names)))
        recall.fresh[key] = to_findings(known)
    return known


def recalled_watched(
    assembly: Assembly,
    check: str,
    what: Sequence[Any],
    ask: Callable[[Assembly], Finding | Iterable[Finding]],
) -> tuple[Finding, ...]:
    """As :func:`recalled`, of a question that finds out which parts it rests on.

    Parameters
    ----------
    assembly, check, what
    ask : callable
        Answers it from the assembly it is given, which is watched; nothing else of the vehicle's
        parts may be used. What it raises is not kept.
    """
    recall = assembly.recall
    watched = watch(assembly)
    if recall is None:
        return _all(ask(watched))
    base, ways = recall.ways((check, *what), assembly)
    for asked in ways:
        known: tuple[Finding, ...] | None = recall.findings(recall.key_of(base, asked, assembly))
        if known is not None:
            return known
    found = _all(ask(watched))
    asked = watched.asked
    recall.fresh[recall.key_of(base, asked, assembly)] = to_findings(found)
    recall.fresh[base] = [asked, *(way for way in ways if way != asked)][:WAYS]
    return found


def recalled_text(
    assembly: Assembly,
    check: str,
    names: Iterable[str],
    what: Sequence[Any],
    ask: Callable[[Assembly], str],
) -> str:
    """As :func:`recalled`, of an answer that is one word."""
    names = tuple(names)
    recall = assembly.recall
    if recall is None:
        return ask(assembly.only(names))
    key = recall.key(("text", check, *what), names, assembly.state)
    known = recall.get(key)
    if not isinstance(known, str):
        known = ask(assembly.only(names))
        recall.fresh[key] = known
    return known


def _all(found: Finding | Iterable[Finding]) -> tuple[Finding, ...]:
    return (found,) if isinstance(found, Finding) else tuple(found)


def _rest(assembly: Assembly) -> str:
    """Hash of what the project file says, but for parts and for other vehicles."""
    data: Mapping[str, Any] = assembly.lines.value(())
    kept: dict[str, Any] = {name: data[name] for name in data if name not in _APART}
    for vehicle in data.get("vehicle", ()):
        if vehicle.get("name") == assembly.vehicle:
            kept["vehicle"] = {name: vehicle[name] for name in vehicle if name != "part"}
    names = (assembly.vehicle, list(assembly.vehicles), assembly.lines.file.name)
    return digest(json.dumps(kept, sort_keys=True, default=str), names)


def _part(assembly: Assembly, name: str, files: Mapping[str, str]) -> str:
    part, entry = assembly.parts[name], assembly.part_entries[name]
    place = None if part.place is None else part.place.tolist()
    return digest(files[entry.file], entry.model_dump_json(), part.role, place)


def _places(lines: LineMap) -> dict[str, int | None]:
    """Line of each entry, and of each that only holds others, by its description.

    None where two entries of different lines have one description.
    """
    found: dict[str, int | None] = {}
    keys = {key[:length] for key in lines.entries() for length in range(1, len(key) + 1)}
    for key in keys:
        text, line = lines.describe(key), lines.line(key)
        found[text] = line if found.get(text, line) == line else None
    return found


def _line(places: Mapping[str, int | None], text: str) -> int | None:
    """Line of an entry by its description; of what is not in the text, that of what holds it."""
    while text not in places:
        text, more, _ = text.rpartition(" > ")
        if not more:
            return None
    return places[text]
