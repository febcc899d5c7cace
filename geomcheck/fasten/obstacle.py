"""Parts as the fasten room sees them: triangles, how true they are, whether they have an inside."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.kernels import solids
from geomcheck.mesh.part import Part
from geomcheck.mesh.query import first_hit, winding_number
from geomcheck.mesh.sagitta import Sagitta, estimate
from geomcheck.mesh.soundness import judge
from geomcheck.mesh.tree import TriangleTree

FloatArray: TypeAlias = NDArray[np.float64]
KernelTree: TypeAlias = tuple[
    FloatArray, NDArray[np.int32], FloatArray, int, int, FloatArray, FloatArray
]

_NONE: FloatArray = np.empty(0, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Obstacle:
    """A part that may stand in a tool's way.

    Parameters
    ----------
    name : str
    tree : TriangleTree
    sagitta : Sagitta
        Of the triangles in the caller's order.
    solid : bool
        Whether inside and outside are defined.
    """

    name: str
    tree: TriangleTree
    sagitta: Sagitta
    solid: bool

    @classmethod
    def of(cls, name: str, shape: Any) -> Obstacle:
        """An obstacle from an ``Obstacle``, a ``Part``, a ``trimesh.Trimesh`` or triangles.

        Parameters
        ----------
        name : str
            Ignored for an Obstacle or a Part, which bring their own.
        shape : Obstacle, Part, trimesh.Trimesh or (m, 3, 3) float
            A Trimesh or an array is judged here, after equal corners are joined; nothing else
            about it is changed.

        Raises
        ------
        InputError
            No triangles, or a corner that is not finite.
        """
        if isinstance(shape, Obstacle):
            return shape
        if isinstance(shape, Part):
            return cls(shape.name, shape.tree, shape.sagitta, shape.soundness.solid)
        triangles = np.ascontiguousarray(getattr(shape, "triangles", shape), dtype=np.float64)
        tree = TriangleTree(triangles)
        # Adding zero turns -0.0 into 0.0, which np.unique would keep apart.
        vertices, faces = np.unique(triangles.reshape(-1, 3) + 0.0, axis=0, return_inverse=True)
        faces = np.ascontiguousarray(faces.reshape(-1, 3), dtype=np.int64)
        soundness = judge(vertices, faces)
        return cls(name, tree, estimate(vertices, faces, soundness), soundness.solid)

    @cached_property
    def as_read(self) -> KernelTree:
        """The triangles where they are."""
        return self._kernel_tree(None)

    @cached_property
    def nearest_truth(self) -> KernelTree:
        """The triangles moved out by what the true surface may stand outside them."""
        return self._kernel_tree(self.sagitta.outward)

    @cached_property
    def farthest_truth(self) -> KernelTree:
        """The triangles moved back by what the true surface may lie inside them."""
        return self._kernel_tree(-self.sagitta.inward)

    def holds(self, point: Point, way: Point) -> bool:
        """Whether ``point`` lies inside the material; False for a part without an inside.

        ``way`` is a direction that is likely to lead out: where nothing is met along it, the
        point of a closed part is outside and the winding number need not be asked.
        """
        low, high = self.tree.bounds
        if not self.solid or (np.array(point) < low).any() or (np.array(point) > high).any():
            return False
        _, met = first_hit(self.tree, [point], [way])
        return bool(met[0] >= 0 and winding_number(self.tree, [point])[0] > 0.5)

    def _kernel_tree(self, slack: FloatArray | None) -> KernelTree:
        tree = self.tree
        near, nodes = _NONE, _NONE
        if slack is not None and slack.any():
            near = np.ascontiguousarray(slack[tree.order])
            nodes = np.empty(len(tree.boxes))
            solids.merge_slack(near, tree.leaf, tree.first_leaf + 1, nodes)
        return (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, near, nodes)


def as_obstacles(shapes: Any) -> tuple[Obstacle, ...]:
    """Obstacles from one shape, a mapping of names to shapes, or an iterable of Parts.

    Shapes without a name are called ``part 1``, ``part 2`` ...

    Raises
    ------
    InputError
        See :meth:`Obstacle.of`.
    """
    if isinstance(shapes, Mapping):
        return tuple(Obstacle.of(str(name), shape) for name, shape in shapes.items())
    single = isinstance(shapes, Obstacle | Part | np.ndarray) or hasattr(shapes, "triangles")
    if single:
        return (Obstacle.of("part 1", shapes),)
    if not isinstance(shapes, Iterable):
        raise InputError(f"{type(shapes).__name__} is no mesh, and no collection of meshes")
    return tuple(Obstacle.of(f"part {n + 1}", shape) for n, shape in enumerate(shapes))
