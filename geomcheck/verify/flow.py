"""Re-check of duct areas: sections anew, with shapely."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import DuctEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.simple import FloatArray, axis_frame, slice_segments

#: Areas of one section of one mesh agree to this share.
SHARE = 2e-5
#: Corners of sections are joined within this, mm.
JOIN = 1e-7
#: How much an area may be smaller at a station whose direction is only known from its neighbours.
STATION = 0.01
#: Stations cut again, at most.
STATIONS = 120


def area(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Least area at the plane of the throat; and that no station of the path is narrower."""
    quantity = finding.quantity
    if quantity is None or quantity.unit != "mm2" or finding.view is None:
        yield left_open("area", "this finding has no section of its own")
        return
    entry = _duct(scene, finding)
    walls, others = _meshes(scene, finding, entry)
    normal = np.array(finding.view) / np.linalg.norm(finding.view)
    found = open_area(walls, others, np.array(finding.witnesses[0].point), normal)
    if found is None:
        yield left_open("area", "the walls make no closed outline about the throat there")
        return
    yield confirm(
        "area at the throat",
        abs(found - quantity.value) <= SHARE * quantity.value + 0.001,
        f"{found:.3f} mm2 against {quantity.value:.3f} mm2",
    )
    if finding.verdict is not Verdict.PASS:
        return
    if finding.code != "flow-area":
        yield left_open("no smaller section", "sections at every tilt are not searched again")
        return
    yield _no_narrower(walls, others, finding, quantity.value)


def _no_narrower(
    walls: list[FloatArray], others: list[FloatArray], finding: Finding, value: float
) -> Claim:
    path = np.array(finding.details["path"], dtype=np.float64)
    tangents = np.gradient(path, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    step = -(-len(path) // STATIONS)
    done = 0
    for point, tangent in zip(path[::step], tangents[::step], strict=True):
        found = open_area(walls, others, point, tangent)
        if found is None:
            continue
        done += 1
        if found < value * (1.0 - STATION):
            words = f"{found:.2f} mm2 at ({point[0]:.2f}, {point[1]:.2f}, {point[2]:.2f})"
            return confirm("no narrower station", False, words)
    # Between these stations there are others: that is not proof.
    return left_open("no narrower station", f"none among {done} stations; between them not looked")


def _duct(scene: Scene, finding: Finding) -> DuctEntry:
    for one in scene.project.document.ducts:
        here = one.vehicle in (None, finding.vehicle)
        if here and finding.subject.startswith(f'duct "{one.name}"'):
            if one.void or one.closed or one.seal:
                raise NotRechecked("openings of the duct are shut, or it is given as a void")
            return one
    raise NotRechecked("the duct is not in the project file")


def _meshes(
    scene: Scene, finding: Finding, entry: DuctEntry
) -> tuple[list[FloatArray], list[FloatArray]]:
    maps: Any = finding.details.get("maps", {})
    gone: Any = finding.details.get("left_out", [])

    def those(names: tuple[str, ...]) -> list[FloatArray]:
        found = []
        for name in names:
            if name in gone:
                continue
            mesh = scene.triangles(finding.vehicle, name)
            if name in maps:
                mesh = _posed(scene, finding, name, mesh)
            found.append(mesh)
        return found

    return those(entry.walls), those(entry.obstacles)


def _posed(scene: Scene, finding: Finding, name: str, mesh: FloatArray) -> FloatArray:
    """A part as its state moves it: from the project file, not from the rounded matrix."""
    from geomcheck.verify.scene import placed

    for state in scene.project.document.states:
        if f'state "{state.name}"' in finding.subject:
            for moved in state.parts:
                if moved.name == name:
                    return placed(moved.place, mesh)
    raise NotRechecked(f"the state that moves {name} is not in the project file")


def open_area(
    walls: list[FloatArray], others: list[FloatArray], point: FloatArray, normal: FloatArray
) -> float | None:
    """Area (mm2) about a point that neither walls nor obstacles fill; None where it does not close.

    Parameters
    ----------
    walls, others : list of (m, 3, 3) float
    point, normal : (3,) float
        Of the plane; the normal a unit vector.
    """
    frame = axis_frame(normal)
    wall = shapely.union_all([section(mesh, point, normal, frame) for mesh in walls])
    if wall.is_empty:
        return None
    low_x, low_y, high_x, high_y = wall.bounds
    around = shapely.box(low_x - 10.0, low_y - 10.0, high_x + 10.0, high_y + 10.0)
    void = around.difference(wall)
    pieces = list(void.geoms) if isinstance(void, MultiPolygon) else [void]
    here = [piece for piece in pieces if piece.distance(Point(0.0, 0.0)) <= 0.0]
    if not here or here[0].exterior.intersects(around.exterior):
        return None
    left = here[0]
    for mesh in others:
        left = left.difference(section(mesh, point, normal, frame))
    return float(left.area)


def section(
    mesh: FloatArray, point: FloatArray, normal: FloatArray, frame: FloatArray
) -> BaseGeometry:
    """Material of a closed mesh in a plane, as polygons (even-odd)."""
    segments = (slice_segments(mesh, point, normal) - point) @ frame.T
    if not len(segments):
        return Polygon()
    # Cut points of one edge, seen from its two triangles, may differ in the last bit.
    segments = np.round(segments / JOIN) * JOIN
    segments = segments[np.abs(segments[:, 0] - segments[:, 1]).max(axis=1) > 0.0]
    lines = shapely.linestrings(segments)
    filled: BaseGeometry = Polygon()
    for polygon in shapely.get_parts(
        shapely.polygonize([shapely.node(shapely.multilinestrings(lines))])
    ):
        inside = polygon.representative_point()
        if _crossings(segments, inside.x, inside.y) % 2:
            filled = filled.union(polygon)
    return filled


def _crossings(segments: FloatArray, x: float, y: float) -> int:
    """Segments that a ray from a point along +x crosses."""
    (x0, y0), (x1, y1) = segments[:, 0].T, segments[:, 1].T
    over = (y0 > y) != (y1 > y)
    at = x0 + (y - y0) / np.where(over, y1 - y0, 1.0) * (x1 - x0)
    return int((over & (at > x)).sum())
