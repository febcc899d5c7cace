"""A body as the fit room sees it: triangles, what they can support, how true they are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypeAlias
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.mesh.bodies import resolution
from geomcheck.mesh.part import Part
from geomcheck.mesh.sagitta import Sagitta, estimate
from geomcheck.mesh.soundness import Soundness, judge
from geomcheck.mesh.tree import TriangleTree
from geomcheck.mesh.wraps import wraps

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]


def as_point(values: FloatArray) -> Point:
    """Three coordinates as plain numbers, zero without a sign."""
    return (float(values[0]) + 0.0, float(values[1]) + 0.0, float(values[2]) + 0.0)


@dataclass(frozen=True, eq=False)
class Body:
    """One body in place.

    Parameters
    ----------
    vertices : (n, 3) float64
        mm; equal corners are one vertex.
    faces : (m, 3) int64
    soundness : Soundness
    sagitta : Sagitta
    tree : TriangleTree
        Over the triangles in the order of ``faces``.
    """

    vertices: FloatArray
    faces: IntArray
    soundness: Soundness
    sagitta: Sagitta
    tree: TriangleTree

    @classmethod
    def of(cls, shape: Any, sagitta: float | None = None) -> Body:
        """Body of a ``Body``, a ``Part``, a ``trimesh.Trimesh`` or an (m, 3, 3) array.

        Parameters
        ----------
        shape : Body, Part, trimesh.Trimesh or (m, 3, 3) float
            A Trimesh or an array is judged here and equal corners are joined; nothing else about
            it is changed.
        sagitta : float, optional
            Chord error the mesh was exported with, mm; estimated if not given, and ignored for a
            Body or a Part, which bring their own. A Part gives the same Body every time.

        Raises
        ------
        InputError
            No triangles, or corners that are not finite.
        """
        if isinstance(shape, Body):
            return shape
        if isinstance(shape, Part):
            body = _OF_PART.get(shape)
            if body is None:
                body = cls(shape.vertices, shape.faces, shape.soundness, shape.sagitta, shape.tree)
                body.__dict__["triangles"] = shape.triangles
                _OF_PART[shape] = body
            return body
        triangles = np.asarray(getattr(shape, "triangles", shape), dtype=np.float64)
        if triangles.ndim != 3 or triangles.shape[1:] != (3, 3) or len(triangles) == 0:
            raise InputError(f"a body needs triangles of shape (m, 3, 3), not {triangles.shape}")
        if not np.isfinite(triangles).all():
            raise InputError("a triangle has a corner that is not finite")
        # Adding zero turns -0.0 into 0.0, which np.unique would keep apart.
        vertices, faces = np.unique(triangles.reshape(-1, 3) + 0.0, axis=0, return_inverse=True)
        faces = np.ascontiguousarray(faces.reshape(-1, 3), dtype=np.int64)
        soundness = judge(vertices, faces)
        bound = (
            estimate(vertices, faces, soundness)
            if sagitta is None
            else Sagitta.declared(sagitta, len(faces))
        )
        return cls(vertices, faces, soundness, bound, TriangleTree(triangles))

    @property
    def kind(self) -> Literal["closed", "open", "soup"]:
        """Class of the mesh."""
        return self.soundness.kind

    @property
    def solid(self) -> bool:
        """Whether inside and outside can be told.

        A closed mesh turned inside out still encloses the same material; one with a single stray
        body does not say which is meant.
        """
        return self.kind == "closed" and self.soundness.stray_bodies == 0

    @cached_property
    def triangles(self) -> FloatArray:
        """(m, 3, 3) corner points."""
        return np.ascontiguousarray(self.vertices[self.faces])

    @cached_property
    def normals(self) -> FloatArray:
        """(m, 3) unit normals of the triangles as they run; zero for one without area."""
        corners = self.triangles
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(normal, axis=1)
        return np.asarray(normal / np.where(length > 0.0, length, np.inf)[:, None])

    @property
    def bounds(self) -> FloatArray:
        """(2, 3) least and greatest coordinates of the triangles, mm."""
        return self.tree.bounds

    @cached_property
    def resolution(self) -> float:
        """Distance (mm) below which float32 corners cannot tell contact from a gap."""
        return resolution(self.vertices)

    @cached_property
    def reach(self) -> FloatArray:
        """(m,) mm by which the true surface may come nearer to another body than the facet.

        For a solid that is the outward sagitta: where the true surface lies inside the facet it
        lies within the mesh's own material, and whoever comes to it from outside passes the mesh
        first. (This takes sagittas to be smaller than the wall.) A surface without an inside may
        come nearer on either side.
        """
        if self.solid and not self.soundness.inside_out:
            return self.sagitta.outward
        return np.maximum(self.sagitta.outward, self.sagitta.inward)

    @cached_property
    def component(self) -> IntArray:
        """(m,) number of the connected piece (joined by corners) each triangle belongs to."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        f = self.faces
        begin = np.concatenate([f[:, 0], f[:, 1]])
        end = np.concatenate([f[:, 1], f[:, 2]])
        graph = coo_array(
            (np.ones(len(begin), dtype=np.int8), (begin, end)), shape=(len(self.vertices),) * 2
        )
        label = connected_components(graph, directed=False)[1]
        _, number = np.unique(label[f[:, 0]], return_inverse=True)
        return np.asarray(number, dtype=np.int64).reshape(-1)

    @cached_property
    def component_bounds(self) -> FloatArray:
        """(c, 2, 3) bounding boxes of the connected pieces, mm."""
        label = self.component
        count = int(label.max()) + 1
        low = np.full((count, 3), np.inf)
        high = np.full((count, 3), -np.inf)
        corners = self.triangles
        np.minimum.at(low, label, corners.min(axis=1))
        np.maximum.at(high, label, corners.max(axis=1))
        return np.stack([low, high], axis=1)

    def contains(self, points: FloatArray) -> BoolArray:
        """Whether (k, 3) points lie in the material; only for a solid body.

        The winding number says so, whichever way the mesh faces; points on the surface come out
        either way.
        """
        inside: BoolArray = wraps(self.tree, points) != 0
        return inside


#: The body of each part, as long as the part lives.
_OF_PART: WeakKeyDictionary[Part, Body] = WeakKeyDictionary()
