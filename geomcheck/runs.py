"""A finished run: its result, and the vehicles' parts for who wants to draw them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from geomcheck.finding import Result

if TYPE_CHECKING:
    from geomcheck.mesh.part import Part
    from geomcheck.project.assembly import Assembly

#: Called with what is being done, and how many of how many steps are finished.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class Run:
    """A result, with the assemblies that pictures need, and what to tell beside it.

    ``fresh``: answers to keep for later runs, by key.
    """

    result: Result
    assemblies: Mapping[str, Assembly]
    notes: tuple[str, ...] = ()
    fresh: Mapping[str, Any] = field(default_factory=dict, repr=False)


class Later(Mapping[str, "Assembly"]):
    """The assemblies of vehicles, read and placed when the first is asked for.

    Parameters
    ----------
    names : tuple of str
    read : callable
        Yields the assemblies, in the order of ``names``.
    """

    def __init__(self, names: tuple[str, ...], read: Callable[[], Iterator[Assembly]]) -> None:
        self._names = names
        self._read = read
        self._found: dict[str, Assembly] | None = None

    def __getitem__(self, name: str) -> Assembly:
        if name not in self._names:
            raise KeyError(name)
        if self._found is None:
            self._found = {assembly.vehicle: assembly for assembly in self._read()}
        return self._found[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


class Parts(Mapping[str, "Mapping[str, Part]"]):
    """The placed parts of each vehicle; as late as the assemblies they are taken from."""

    def __init__(self, assemblies: Mapping[str, Assembly]) -> None:
        self._assemblies = assemblies

    def __getitem__(self, name: str) -> Mapping[str, Part]:
        return self._assemblies[name].parts

    def __contains__(self, name: object) -> bool:
        return name in self._assemblies

    def __iter__(self) -> Iterator[str]:
        return iter(self._assemblies)

    def __len__(self) -> int:
        return len(self._assemblies)
