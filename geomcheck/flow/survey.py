"""The survey of a duct: its open area along a given path."""

from __future__ import annotations

from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.path import FlowPath
from geomcheck.flow.result import Survey, report
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.flow.stations import Station, Stations

#: The least area is searched for until nothing lower by more than this share can hide.
TOLERANCE = 5e-4
#: A restriction may hide by this share of what is reported, no more.
_HIDDEN_DIP = 0.25
#: Largest number of stations, as a multiple of those asked for, and at least.
_MOST = 8, 4000


def duct_area(
    walls: Any,
    path: Any,
    *,
    obstacles: Any = (),
    stations: Any = None,
    spacing: float = 2.0,
    restriction: float = 3.0,
    port: float = 1.0,
    tolerance: float = TOLERANCE,
) -> Survey:
    """Open area of a duct along a given path, throat and restrictions.

    Parameters
    ----------
    walls, obstacles : mesh or sequence of meshes
        ``trimesh.Trimesh``, ``Surface`` or (n, 3, 3) triangles, mm, in one frame.
    path : FlowPath or (n, 3) float
        Points of the centre line, inlet first.
    stations : int or (n,) float, optional
        Number of equally spaced stations, or arc lengths (mm) along the path.
    spacing : float
        Greatest distance of stations in mm, when ``stations`` is not given.
    restriction : float
        A dip below both its shoulders of at least this many per cent is reported.
    port : float
        Either end of the path may stand this far (mm) outside its port, or in the plane of it:
        the end station is then moved inward to where the section closes.
    tolerance : float
        The least area is searched for until no area lower by more than this share can hide.

    Returns
    -------
    Survey

    Raises
    ------
    InputError
        The path cannot be used, or lies outside the duct.
    CannotDecide
        No station could be measured because outlines do not close.
    """
    wall = _surfaces(walls, "wall")
    stand = _surfaces(obstacles, "obstacle")
    if not wall:
        raise InputError("a duct needs at least one wall")
    line = path if isinstance(path, FlowPath) else FlowPath(path)
    asked = _asked(line, stations, spacing)
    rows = Stations([*wall, *stand], line)
    places = np.unique(np.concatenate([asked, _asked(line, None, spacing)]))
    rows.add(places)
    ends = {end: moved for end in (0.0, line.length) if (moved := _to_port(rows, end, port))}
    _refuse_outside(rows)
    times, least = _MOST
    dip = _HIDDEN_DIP * restriction / 100.0
    rows.densify(tolerance, dip, max(times * len(places), len(places) + least))
    return report(rows, len(wall), asked, ends, restriction)


def _surfaces(shapes: Any, kind: str) -> list[Surface]:
    listed = shapes if isinstance(shapes, list | tuple) else [shapes]
    return [Surface.of(shape, f"{kind} {n + 1}") for n, shape in enumerate(listed)]


def _asked(path: FlowPath, stations: Any, spacing: float) -> FloatArray:
    if stations is None:
        if not spacing > 0:
            raise InputError("the spacing of stations must be greater than zero")
        return np.linspace(0.0, path.length, int(np.ceil(path.length / spacing)) + 1)
    if np.ndim(stations) == 0:
        if int(stations) < 2:
            raise InputError("a path needs two or more stations")
        return np.linspace(0.0, path.length, int(stations))
    places = np.asarray(stations, dtype=np.float64)
    if places.ndim != 1 or not len(places) or not np.isfinite(places).all():
        raise InputError("stations must be a number of stations or a list of arc lengths in mm")
    low, high = float(places.min()), float(places.max())
    if low < 0.0 or high > path.length * (1 + 1e-12):
        raise InputError(
            f"stations reach from {low:g} to {high:g} mm, the path from 0 to {path.length:g} mm"
        )
    return np.clip(places, 0.0, path.length)


def _to_port(rows: Stations, end: float, port: float) -> Station | None:
    """Move an end station that stands outside its port inward; the station that took its place."""
    if any(row.state in ("measured", "open") for row in rows.rows if row.asked == end):
        return None
    known = {id(row) for row in rows.rows}
    inward = 1.0 if end == 0.0 else -1.0
    for step in port * 0.5 ** np.arange(10, -1, -1):
        if step >= rows.path.length:
            break
        rows.add([end + inward * step])
        # From the end inward, no further than the step.
        near = sorted(rows.rows, key=lambda row: inward * row.s)
        near = [row for row in near if abs(row.s - end) <= step + 4.0 * rows.flush]
        inside = next((i for i, row in enumerate(near) if row.state in ("measured", "open")), None)
        if inside is not None and near[inside].state == "measured":
            rows.drop(near[:inside])
            return near[inside]
    rows.drop([row for row in rows.rows if id(row) not in known])
    return None


def _refuse_outside(rows: Stations) -> None:
    states = {row.state for row in rows.rows}
    if "measured" in states:
        return
    if "open" in states:
        raise CannotDecide(
            "no station of the duct could be measured: the outlines of the walls do not close",
            remedy="close the holes in the wall meshes along the path",
        )
    where = " and ".join(sorted(states)).replace("leaking", "no wall around it")
    raise InputError(
        f"the path lies outside the duct at every station ({where})",
        remedy="check the path's points, the parts named as walls, and the placement of both",
    )
