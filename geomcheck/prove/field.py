"""What there is to plant faults in."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from geomcheck.finding import Result
from geomcheck.mesh.part import Part
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, Unit


class Field:
    """What there is to plant faults in.

    Parameters
    ----------
    assemblies : dict of str to Assembly
        By vehicle.
    base : Result
        What the gate says of them as they are.
    chance : Generator
        Chooses.
    unit : str
        Of mesh files whose entries state none.
    """

    def __init__(
        self,
        assemblies: dict[str, Assembly],
        base: Result,
        chance: np.random.Generator,
        unit: Unit = "mm",
    ) -> None:
        self.assemblies = assemblies
        self.base = base
        self.chance = chance
        self.unit = unit

    def parts(self) -> list[tuple[Part, tuple[str, ...]]]:
        """Each part once, with the vehicles it is in, in an order by chance."""
        found: list[tuple[Part, tuple[str, ...]]] = []
        for name, assembly in self.assemblies.items():
            for part in assembly.parts.values():
                ours = part.role != "neighbour"
                if ours and name != next(iter(self.assemblies)):
                    continue
                found.append((part, tuple(self.assemblies) if ours else (name,)))
        return [found[k] for k in self.chance.permutation(len(found))]

    def bolts(self) -> list[tuple[FastenerEntry, tuple[str, ...]]]:
        """Each bolt once, with its vehicles, in an order by chance."""
        found: dict[str, tuple[FastenerEntry, tuple[str, ...]]] = {}
        for name, assembly in self.assemblies.items():
            for _, entry in assembly.fasteners:
                before = found[entry.name][1] if entry.name in found else ()
                found[entry.name] = (entry, (*before, name))
        rows = list(found.values())
        return [rows[k] for k in self.chance.permutation(len(rows))]

    def called(self, part: Part, where: tuple[str, ...]) -> str:
        """A part in words: a vehicle's with its vehicle, where there are several."""
        alone = part.role == "neighbour" and len(self.assemblies) > 1
        return f"{part.name} ({where[0]})" if alone else part.name

    def part(self, name: str) -> tuple[Part, tuple[str, ...]] | None:
        """One part with its vehicles."""
        here = tuple(v for v, assembly in self.assemblies.items() if name in assembly.parts)
        return (self.assemblies[here[0]].parts[name], here) if here else None


def place(point: Iterable[float]) -> str:
    """A point in words."""
    return "(" + ", ".join(f"{round(x, 2) + 0.0:.2f}" for x in point) + ")"
