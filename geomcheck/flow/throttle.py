"""How much of the bore a throttle blade leaves open: closed form, and by projection of the mesh.

The open share is that of the bore as seen along its axis: what the blade and its shaft do not
hide. A plane section through a tilted blade shows more than that, because the plane cuts the blade
once while the rest of it stands before and behind: the section's area is no measure of a throttle.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from scipy.spatial import cKDTree

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.path import FlowPath
from geomcheck.flow.result import Survey
from geomcheck.flow.section import FloatArray, Surface

#: Points nearer than this share of the bore's size are one, so that seams of facets close.
_GRID = 1e-9


def open_fraction(angle: float, closed_angle: float = 0.0, shaft: float = 0.0) -> float:
    """Open share of a round bore behind an elliptic blade on a round shaft across the middle.

    J. B. Heywood, "Internal Combustion Engine Fundamentals", 1988, equations 7.18 (from memory;
    agrees with projected outlines to 1e-6).

    Parameters
    ----------
    angle : float
        Degrees between the blade and the plane across the bore; 90 is wide open.
    closed_angle : float
        The same when the blade shuts the bore: 0 for a round blade.
    shaft : float
        Diameter of the shaft over that of the bore.

    Raises
    ------
    InputError
        Angles not in 0 <= closed <= angle <= 90, or a shaft as wide as the bore.

    Examples
    --------
    >>> round(open_fraction(30.0, 7.0, 0.12), 6)
    0.127355
    >>> round(open_fraction(60.0), 6)
    0.5
    """
    if not (0.0 <= closed_angle <= angle <= 90.0 and closed_angle < 90.0 and 0.0 <= shaft < 1.0):
        raise InputError(
            f"no throttle blade at {angle:g} degrees that shuts at {closed_angle:g} degrees with "
            f"a shaft of {shaft:g} times the bore"
        )
    a = shaft
    behind = (2.0 / np.pi) * (a * np.sqrt(1.0 - a * a) + np.arcsin(a))
    now, shut = np.cos(np.radians(angle)), np.cos(np.radians(closed_angle))
    if now <= a * shut:  # the blade is hidden behind its shaft
        return float(1.0 - behind)
    reach = np.sqrt(max(0.0, now * now - (a * shut) ** 2))
    seen = (2.0 / np.pi) * (a / now * reach + now / shut * np.arcsin(a * shut / now))
    return float(np.clip(1.0 - now / shut + seen - behind, 0.0, 1.0))


def projected_fraction(bore: FloatArray, axis: Any, things: Sequence[Any]) -> float:
    """Share of a bore that is not hidden by things in it, looking along an axis.

    Parameters
    ----------
    bore : (n, 3) float
        Outline of the open bore, mm: closed, in a plane across the axis.
    axis : (3,) float
        Along the bore.
    things : sequence of mesh
        ``trimesh.Trimesh``, ``Part``, ``Surface`` or (n, 3, 3) triangles, mm.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    InputError
        The outline has no area along the axis.
    """
    along = np.asarray(axis, dtype=np.float64)
    along = along / np.linalg.norm(along)
    first = np.zeros(3)
    first[int(np.argmin(np.abs(along)))] = 1.0
    u = first - (first @ along) * along
    u /= np.linalg.norm(u)
    across = np.stack([u, np.cross(along, u)], axis=1)
    points = np.asarray(bore, dtype=np.float64)
    hole = shapely.Polygon(points @ across)
    size = float(np.ptp(points, axis=0).max())
    if not hole.is_valid or hole.area <= 1e-9 * size * size:
        raise InputError("the bore's outline has no area across the axis")
    grid = _GRID * size
    shades = [_shade(Surface.of(thing), across, hole, grid) for thing in things]
    hidden = shapely.intersection(hole, shapely.union_all(shades, grid_size=grid), grid_size=grid)
    return float(np.clip(1.0 - hidden.area / hole.area, 0.0, 1.0))


def stretch(path: FlowPath, points: FloatArray) -> tuple[float, float]:
    """Part of the path (mm, mm) beside which points (n, 3) lie, to a quarter of a millimetre."""
    places = np.linspace(0.0, path.length, int(np.ceil(path.length / 0.5)) + 1)
    _, nearest = cKDTree(path.frames(places)[:, :3]).query(np.asarray(points))
    return float(places[nearest.min()]), float(places[nearest.max()])


def bore_before(survey: Survey, s: float) -> tuple[FloatArray, FloatArray]:
    """Outline (n, 3) of the bore at the last measured station before ``s``, and its axis (3,).

    Raises
    ------
    CannotDecide
        No station before it is measured.
    """
    rows = [row for row in survey.cuts if row.state == "measured" and row.s < s]
    if not rows:
        raise CannotDecide(
            f"there is no measured bore before {s:.2f} mm along the path",
            remedy="let the path begin before the blade",
        )
    row = max(rows, key=lambda row: row.s)
    u, v = row.frame[3:6], row.frame[6:9]
    rings = row.region.rings(row.pieces)
    size = [shapely.Polygon(np.column_stack([ring @ u, ring @ v])).area for ring in rings]
    return rings[int(np.argmax(size))], row.frame[9:12]


def _shade(surface: Surface, across: FloatArray, hole: Any, grid: float) -> Any:
    """What a surface hides of the plane, as a shapely geometry; only near the hole."""
    flat = (surface.vertices @ across)[surface.faces]
    low, high = np.array(hole.bounds[:2]), np.array(hole.bounds[2:])
    near = (flat.max(axis=1) >= low).all(axis=1) & (flat.min(axis=1) <= high).all(axis=1)
    edge = flat[:, 1:] - flat[:, :1]
    twice = edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0]
    # Of a closed mesh the faces turned to one side hide all that those on the other do.
    seen = near & ((twice > 0.0) if surface.closed else (twice != 0.0))
    rings = np.concatenate([flat[seen], flat[seen][:, :1]], axis=1)
    faces = shapely.set_precision(shapely.polygons(rings), grid)
    return shapely.union_all(faces[~shapely.is_empty(faces)], grid_size=grid)
