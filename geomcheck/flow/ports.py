"""Ports: the flat openings where a duct begins and ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow import mouths
from geomcheck.flow.mouths import FLUSH, plane_frame
from geomcheck.flow.region import BoolArray, Region
from geomcheck.flow.section import FloatArray, Section, Surface, cut

#: A port is carried this share of its size into the wall, so that no line slips by its rim.
_LAP = 1e-6


@dataclass(frozen=True, eq=False)
class Port:
    """A flat opening of a duct.

    Parameters
    ----------
    point : (3,) float64
        A point of the opening, mm.
    normal : (3,) float64
        Unit vector out of the duct, away from the void.
    outline : tuple of (k, 3) float64
        Closed lines round the opening: the rim first, then what stands in it (a shaft).
    name : str
    """

    point: FloatArray
    normal: FloatArray
    outline: tuple[FloatArray, ...]
    name: str = "port"

    @classmethod
    def at(
        cls, surfaces: Any, point: Any, normal: Any, *, name: str = "port", solid: bool = False
    ) -> Port:
        """The opening round a point, cut from walls by a plane.

        Parameters
        ----------
        surfaces : mesh or sequence of meshes
            Walls, as :func:`geomcheck.flow.survey.duct_area` takes them.
        point, normal : (3,) float
            In the opening, mm; out of the duct. A plane in a flat face (a flange) takes the
            opening just inside it.
        solid : bool
            The meshes are the void itself, as a solid.

        Raises
        ------
        InputError
            The point lies in metal or in no opening, or the normal points into the duct.
        CannotDecide
            The rim does not close.
        """
        listed = as_surfaces(surfaces)
        at = _vector(point, f'{name}: "point"')
        n = _vector(normal, f'{name}: "normal"')
        if not np.linalg.norm(n) > 0:
            raise InputError(f"{name}: the normal has no length")
        n = n / np.linalg.norm(n)
        moved, found, why = _opening(listed, at, n, solid)
        if found is None:
            _, other, _ = _opening(listed, at, -n, solid)
            if other is not None:
                raise InputError(
                    f"{name}: the normal points into the duct at {_place(at)}",
                    remedy="turn the normal round: it points out of the duct",
                )
            _refuse(name, at, why, solid)
        assert found is not None
        return cls(moved, n, tuple(found), name)

    @classmethod
    def pick(cls, surfaces: Any, near: Any, *, name: str = "port", solid: bool = False) -> Port:
        """The opening in the flat face nearest to a point.

        The facets in one plane with the nearest flat facet, joined edge to edge, are the flange
        (or, with ``solid``, the end face of the void): their plane and the way they face are the
        port's. ``near`` may be a point on the flange face or within the opening itself.

        Raises
        ------
        InputError
            No flat face near the point closes round an opening there.
        CannotDecide
            The rim does not close.
        """
        listed = as_surfaces(surfaces)
        at = _vector(near, f'{name}: "near"')
        tried = 0
        for surface, face in mouths.faces_by_distance(listed, at):
            flat = mouths.flat_face(surface, face)
            n = surface.normals(np.array([face]))[0]
            for centre in mouths.openings(surface, flat, n, at, solid):
                tried += 1
                centre, found, _ = _opening(listed, centre, n, solid)
                if found is not None:
                    return cls(centre, n, tuple(found), name)
            if tried > 12:
                break
        raise InputError(
            f"{name}: no flat ring round an opening was found near {_place(at)}",
            remedy="give a point of the opening and its normal, out of the duct",
        )

    @cached_property
    def frame(self) -> FloatArray:
        """(12,) point, u, v, normal."""
        return plane_frame(self.point, self.normal)

    def flat(self, points: FloatArray) -> FloatArray:
        """(n, 2) points (n, 3) in the port's plane."""
        d = points - self.point
        return np.stack([d @ self.frame[3:6], d @ self.frame[6:9]], axis=1)

    @cached_property
    def polygon(self) -> Any:
        """The opening as a shapely polygon in the plane's (x, y)."""
        rings = [self.flat(line) for line in self.outline]
        return shapely.Polygon(rings[0], rings[1:])

    @property
    def area(self) -> float:
        """mm2."""
        return float(self.polygon.area)

    @property
    def hydraulic_diameter(self) -> float:
        """Four times the area over the perimeter, mm."""
        return float(4.0 * self.polygon.area / self.polygon.length)

    @cached_property
    def centroid(self) -> FloatArray:
        """(3,) centroid of the opening, mm."""
        c = self.polygon.centroid
        return np.asarray(self.point + c.x * self.frame[3:6] + c.y * self.frame[6:9])

    def beyond(self, points: FloatArray) -> FloatArray:
        """(n,) mm by which points lie beyond the plane, out of the duct."""
        return np.asarray((points - self.point) @ self.normal)

    def covers(self, points: FloatArray, lap: float | None = None) -> BoolArray:
        """(n,) whether points, moved square to the plane, lie in the opening.

        ``lap``: mm by which it is carried into the wall all round; a hair when not given.
        """
        xy = self.flat(points)
        reach = _LAP * float(np.sqrt(self.area)) if lap is None else lap
        shape = shapely.buffer(self.polygon, reach, join_style="mitre")
        shapely.prepare(shape)
        return np.asarray(shapely.contains_xy(shape, xy[:, 0], xy[:, 1]))

    def cap(self) -> FloatArray:
        """(n, 3, 3) triangles that close the opening, facing into the duct."""
        lap = _LAP * float(np.sqrt(self.area))
        shape = shapely.buffer(self.polygon, lap, join_style="mitre")
        parts = shapely.get_parts(shapely.constrained_delaunay_triangles(shape))
        xy = np.array([shapely.get_coordinates(part)[:3] for part in parts])
        a, b = xy[:, 1] - xy[:, 0], xy[:, 2] - xy[:, 0]
        turned = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > 0
        xy[turned] = xy[turned][:, ::-1]
        return np.asarray(self.point + xy @ self.frame[3:9].reshape(2, 3))


def as_surfaces(shapes: Any, kind: str = "wall") -> list[Surface]:
    """A mesh or a sequence of meshes as surfaces."""
    listed = shapes if isinstance(shapes, list | tuple) else [shapes]
    return [Surface.of(shape, f"{kind} {n + 1}") for n, shape in enumerate(listed)]


_Why: TypeAlias = Literal["", "metal", "open", "nothing"]
_WHY: dict[str, _Why] = {"open": "open", "leaking": "nothing", "path in metal": "metal"}


def _opening(
    surfaces: Sequence[Surface], at: FloatArray, n: FloatArray, solid: bool
) -> tuple[FloatArray, list[FloatArray] | None, _Why]:
    """The plane's point, and the outlines of the piece it lies in, or why there is none.

    A plane in a flat face is moved a hair into the duct.
    """
    reach = max(float(np.abs(surface.tree.bounds).max()) for surface in surfaces)
    flush = FLUSH * max(reach, float(np.abs(at).max()))
    section = cut(surfaces, plane_frame(at, n)[None], flush=flush)[0]
    if section.flat:
        at = at - 2.0 * flush * n
        section = cut(surfaces, plane_frame(at, n)[None])[0]
    if solid:
        return at, *_solid_opening(section)
    region = Region(section, surfaces)
    if region.state == "measured":
        return at, region.rings([region.main]), ""
    return at, None, _WHY[region.state]


def _solid_opening(section: Section) -> tuple[list[FloatArray] | None, _Why]:
    """The same for a void given as solids: the union of what the outlines wind round."""
    if len(section.open_lines):
        return None, "open"
    shape = shapely.union_all(
        [
            shapely.Polygon(section.lines[a:b, :2])
            for a, b, area in zip(
                section.offsets[:-1], section.offsets[1:], section.area, strict=True
            )
            if area > 0
        ]
    )
    islands = [
        shapely.Polygon(section.lines[a:b, :2])
        for a, b, area in zip(section.offsets[:-1], section.offsets[1:], section.area, strict=True)
        if area < 0
    ]
    shape = shapely.difference(shape, shapely.union_all(islands))
    here = shapely.Point(0.0, 0.0)
    for piece in shapely.get_parts(shape):
        if piece.geom_type == "Polygon" and piece.intersects(here):
            return [
                section.to_space(shapely.get_coordinates(r)) for r in shapely.get_rings(piece)
            ], ""
    return None, "nothing"


def _refuse(name: str, at: FloatArray, why: _Why, solid: bool) -> None:
    if why == "open":
        raise CannotDecide(
            f"{name}: the rim of the opening at {_place(at)} does not close",
            remedy="close the hole in the mesh, or move the port inward to where the wall is whole",
        )
    if why == "metal":
        raise InputError(
            f"{name}: the point {_place(at)} lies in metal",
            remedy="give a point in the opening; if the mesh is the void itself, say so",
        )
    raise InputError(
        f"{name}: the point {_place(at)} lies in no opening: nothing closes round it",
        remedy="give a point within the void" if solid else "give a point within the duct's mouth",
    )


def _vector(values: Any, what: str) -> FloatArray:
    out = np.asarray(values, dtype=np.float64)
    if out.shape != (3,) or not np.isfinite(out).all():
        raise InputError(f"{what} must be three finite numbers")
    return out


def _place(values: FloatArray) -> str:
    return "(" + ", ".join(f"{round(float(x), 2) + 0.0:.2f}" for x in values) + ")"
