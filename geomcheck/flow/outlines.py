"""Section outlines of a survey at chosen stations, in the section's own plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geomcheck.errors import CannotDecide
from geomcheck.flow.result import Survey
from geomcheck.flow.section import FloatArray


@dataclass(frozen=True, eq=False)
class Loop:
    """One closed line of an outline.

    Parameters
    ----------
    uv : (k, 2) float64
        mm in the section's plane; the first point is not repeated at the end.
    island : bool
        Whether it runs round something that stands in the open area, not round the open area.
    """

    uv: FloatArray
    island: bool


@dataclass(frozen=True, eq=False)
class Outline:
    """The open area at one station.

    Parameters
    ----------
    name : str
        ``throat``, ``inlet``, or the place along the path such as ``120.00 mm``.
    s : float
        mm along the path.
    area : float
        mm2 inside the loops, islands taken off.
    frame : (12,) float64
        Origin (a point of the path, mm), u, v and normal of the plane in the housing frame.
    loops : tuple of Loop
    """

    name: str
    s: float
    area: float
    frame: FloatArray
    loops: tuple[Loop, ...]

    def to_space(self, uv: FloatArray) -> FloatArray:
        """(k, 3) points in mm of the housing frame, from (k, 2) points of the plane."""
        f = self.frame
        return np.asarray(f[0:3] + uv[:, :1] * f[3:6] + uv[:, 1:2] * f[6:9])


def outline(survey: Survey, s: float) -> Outline:
    """Outline at a station that the survey was asked for.

    Parameters
    ----------
    survey : Survey
    s : float
        mm along the path; the nearest station asked for is meant.

    Raises
    ------
    CannotDecide
        No outline closes there.
    """
    row = int(np.argmin(np.abs(survey.station - s)))
    cut = survey.cuts[row]
    if cut.state != "measured":
        raise CannotDecide(
            f"there is no closed outline at {survey.station[row]:.2f} mm along the path "
            f"({cut.state})",
            remedy="make the station measurable; see flow-area",
        )
    polygons = [cut.region.polygon(piece) for piece in cut.pieces]
    return _outline(f"{survey.station[row]:.2f} mm", cut.s, polygons, cut.frame)


def inlet(survey: Survey) -> Outline:
    """Outline at the first station.

    Raises
    ------
    CannotDecide
        No outline closes there.
    """
    found = outline(survey, float(survey.station[0]))
    return Outline("inlet", found.s, found.area, found.frame, found.loops)


def throat(survey: Survey) -> Outline:
    """Outline of the least area, in its own plane."""
    found = survey.throat
    normal = np.asarray(found.tangent)
    frame = survey.path.frames([found.s])[0]
    u = frame[3:6] - (frame[3:6] @ normal) * normal
    u = u / np.linalg.norm(u)
    plane = np.concatenate([found.point, u, np.cross(normal, u), normal])
    rings = [
        np.column_stack([(ring - plane[:3]) @ plane[3:6], (ring - plane[:3]) @ plane[6:9]])
        for ring in found.outline
    ]
    return _outline("throat", found.s, _nested(rings), plane)


def _nested(rings: list[FloatArray]) -> list[shapely.Polygon]:
    """Polygons with holes from rings that do not cross: a ring inside an odd number is a hole."""
    solid = [shapely.Polygon(ring) for ring in rings]
    order = sorted(range(len(solid)), key=lambda n: -solid[n].area)
    outer: list[tuple[shapely.Polygon, list[FloatArray]]] = []
    for n in order:
        inside = [
            k for k, (shell, _) in enumerate(outer)
            if shell.contains(solid[n].representative_point())
        ]  # fmt: skip
        holes = [hole for k in inside for hole in outer[k][1]]
        in_hole = any(
            shapely.Polygon(hole).contains(solid[n].representative_point()) for hole in holes
        )
        if inside and not in_hole:
            outer[inside[-1]][1].append(rings[n])
        else:
            outer.append((solid[n], []))
    return [shapely.Polygon(shell.exterior, holes) for shell, holes in outer]


def _outline(name: str, s: float, polygons: list[shapely.Polygon], frame: FloatArray) -> Outline:
    loops = []
    for polygon in polygons:
        for number, ring in enumerate(shapely.get_rings(polygon)):
            loops.append(Loop(shapely.get_coordinates(ring)[:-1], number > 0))
    area = float(sum(polygon.area for polygon in polygons))
    return Outline(name, float(s), area, frame, tuple(loops))
