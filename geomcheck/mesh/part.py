"""A part in its place, and the parts of one vehicle together."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
import rtree.index
from numpy.typing import NDArray

from geomcheck.mesh.placement import apply, inverse
from geomcheck.mesh.registration import Alignment
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.soundness import Soundness
from geomcheck.mesh.tree import TriangleTree

if TYPE_CHECKING:
    import trimesh

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

Role = Literal["housing", "carried", "neighbour"]


@dataclass(frozen=True, eq=False)
class Part:
    """One part, placed in the housing frame.

    Parameters
    ----------
    name : str
    role : {"housing", "carried", "neighbour"}
        The casting itself; a part that goes with it into every vehicle; a part of the vehicle.
    kind : str
        Class of neighbour, such as ``body panel`` or ``hot part``; empty for the housing.
    file : Path
        The file it was read from.
    vertices : (n, 3) float64
        Placed, mm.
    faces : (m, 3) int64
        Vertex numbers; row order is the file's triangle order.
    soundness : Soundness
        Closed, open or soup, with the defects found; see ``geomcheck.mesh.soundness``.
    sagitta : Sagitta
        How far the true surface may stand off each facet.
    place : (4, 4) float64 or None
        Rigid placement that took the file's axes to the housing's; None for none.
    notes : tuple of str
        What was met while reading and is no fault.
    alignments : tuple of Alignment
        How well it stands where it was placed by datum points or on patches; housing frame. The
        placement of a whole vehicle is one object that its parts share.
    """

    name: str
    role: Role
    kind: str
    file: Path
    vertices: FloatArray
    faces: IntArray
    soundness: Soundness
    sagitta: Sagitta
    place: FloatArray | None = None
    notes: tuple[str, ...] = ()
    alignments: tuple[Alignment, ...] = ()

    @property
    def closed(self) -> bool:
        """Whether inside and outside are defined: closed, and no body facing inwards."""
        return self.soundness.solid

    @cached_property
    def triangles(self) -> FloatArray:
        """(m, 3, 3) corner points, in the file's triangle order."""
        return np.ascontiguousarray(self.vertices[self.faces])

    @cached_property
    def tree(self) -> TriangleTree:
        """The triangle tree all questions share; ``tree.order`` maps back to the file's order."""
        return TriangleTree(self.triangles)

    @cached_property
    def bounds(self) -> FloatArray:
        """(2, 3) least and greatest coordinates, mm."""
        return np.stack([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    def placed(self, points: Any) -> FloatArray:
        """Points (n, 3) given in the file's axes (mm), in the housing frame."""
        return apply(np.eye(4) if self.place is None else self.place, points)

    @cached_property
    def file_bounds(self) -> FloatArray:
        """(2, 3) least and greatest coordinates in the file's own axes, mm."""
        if self.place is None:
            return self.bounds
        points = apply(inverse(self.place), self.vertices)
        return np.stack([points.min(axis=0), points.max(axis=0)])

    @cached_property
    def mesh(self) -> trimesh.Trimesh:
        """The part as a Trimesh (not merged or repaired any further)."""
        import trimesh

        return trimesh.Trimesh(self.vertices, self.faces, process=False)


class PartSet(Mapping[str, Part]):
    """The placed parts of one vehicle, by name, with an index of which are near which."""

    def __init__(self, parts: Iterable[Part]) -> None:
        self._parts = {part.name: part for part in parts}

    def __getitem__(self, name: str) -> Part:
        return self._parts[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._parts)

    def __len__(self) -> int:
        return len(self._parts)

    @cached_property
    def _index(self) -> rtree.index.Index:
        index = rtree.index.Index(properties=rtree.index.Property(dimension=3))
        for number, part in enumerate(self._parts.values()):
            index.insert(number, part.bounds.ravel())
        return index

    def near(self, low: FloatArray, high: FloatArray) -> list[Part]:
        """Parts whose bounding box meets the box low..high (mm), in the order they were given."""
        found = sorted(self._index.intersection((*low, *high)))
        parts = list(self._parts.values())
        return [parts[number] for number in found]

    @cached_property
    def roles(self) -> dict[str, Role]:
        """What each part is, by name."""
        return {name: part.role for name, part in self._parts.items()}

    @cached_property
    def _wide(self) -> FloatArray:
        """(n, 2, 3) boxes of the parts, wider by what the true surface may stand off, mm."""
        if not self._parts:
            return np.empty((0, 2, 3))
        off = np.array([part.sagitta.largest for part in self._parts.values()])
        boxes = np.stack([part.bounds for part in self._parts.values()])
        wide: FloatArray = boxes + off[:, None, None] * np.array([[-1.0], [1.0]])
        return wide

    def names_near(self, low: FloatArray, high: FloatArray) -> tuple[str, ...]:
        """Names of the parts whose true surface may meet the box low..high (mm), in order.

        By their boxes alone: each part's is made wider by its own greatest stand-off.
        """
        wide = self._wide
        met = np.all((wide[:, 0] <= high) & (wide[:, 1] >= low), axis=1)
        names = list(self._parts)
        return tuple(names[number] for number in np.flatnonzero(met))

    def names_above(
        self, at: FloatArray, axis: FloatArray, more: float, radius: float
    ) -> tuple[str, ...]:
        """Names of the parts near a line that leads from ``at`` out past all of them.

        Parameters
        ----------
        at, axis : (3,) float64
            mm, and a unit vector.
        more : float
            How much farther than past all parts the line leads, mm.
        radius : float
            As for :meth:`names_near`, of the box about the line made wider by this, mm.
        """
        ends = np.stack([at, at + (self.span(at) + more) * axis])
        return self.names_near(ends.min(axis=0) - radius, ends.max(axis=0) + radius)

    def span(self, at: FloatArray) -> float:
        """A length along any direction that leads from ``at`` out of all parts, mm."""
        return float(np.linalg.norm(np.abs(self._wide - at).max(axis=(0, 1))))


class SomeParts(PartSet):
    """Some parts of a vehicle; to ask for one that was left out is a fault of the caller.

    Parameters
    ----------
    parts : iterable of Part
    others : collection of str
        Names of those left out.
    """

    def __init__(self, parts: Iterable[Part], others: Collection[str]) -> None:
        super().__init__(parts)
        self.others = frozenset(others)

    def __getitem__(self, name: str) -> Part:
        self._refuse(name)
        return super().__getitem__(name)

    def __contains__(self, name: object) -> bool:
        self._refuse(name)
        return super().__contains__(name)

    def _refuse(self, name: object) -> None:
        if name in self.others:
            raise RuntimeError(f"an answer rests on {name!r} and does not say so")
