"""What takes area in a duct, for every check that names it; each place worked out once."""

from __future__ import annotations

from collections.abc import Callable, Hashable

from geomcheck.flow import takers
from geomcheck.flow.takers import Takers
from geomcheck.project.routes import found_once
from geomcheck.project.surveys import MeasuredDuct


def at_throat(measured: MeasuredDuct, wanted: float | None = None) -> Takers:
    """What takes area on the least plane section of a duct, whatever its tilt.

    ``wanted``: mm2 to be open; given, each of the largest is told with how far it must go.

    Raises
    ------
    CannotDecide
        As :meth:`MeasuredDuct.survey` does.
    """

    def work() -> Takers:
        plane, survey = measured.narrowest().plane, measured.survey()
        walls = len(measured.duct.walls)
        rows = takers.near(measured.surfaces, survey, plane.s)
        if wanted is None:
            return takers.on_plane(rows, plane.cut, plane.s, walls)
        found = at_throat(measured)
        return takers.with_ways(found, rows, plane.s, cut=plane.cut, wanted=wanted)

    return _once(measured, ("throat", wanted), work)


def at_station(measured: MeasuredDuct, s: float, *, ways: bool = False) -> Takers:
    """What takes area square to the path at ``s`` mm along it, such as at a restriction.

    ``ways``: each of the largest is told with how far it must go to give all of it back.

    Raises
    ------
    CannotDecide
        As :meth:`MeasuredDuct.survey` does; or no station is measured near there.
    """

    def work() -> Takers:
        rows = takers.near(measured.surfaces, measured.survey(), s)
        if not ways:
            return takers.at_station(rows, s, len(measured.duct.walls))
        return takers.with_ways(at_station(measured, s), rows, s)

    return _once(measured, (s, ways), work)


def _once(measured: MeasuredDuct, what: Hashable, work: Callable[[], Takers]) -> Takers:
    asked = ("takers", measured.key, measured.settings, measured.outlet, what)
    return found_once(measured.assembly, measured.names, asked, work)
