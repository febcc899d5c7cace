"""The area of a duct two ways, where its path is found by itself."""

from __future__ import annotations

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.agreement import Agreement, compare
from geomcheck.flow.potential import Potential, solve
from geomcheck.flow.section import Surface
from geomcheck.flow.void import find_void
from geomcheck.project.routes import found_once, ports_of
from geomcheck.project.surveys import MeasuredDuct


def agreement(measured: MeasuredDuct) -> Agreement:
    """Areas of a duct by planes and by levels, without its obstacles; worked out once.

    Raises
    ------
    ProjectError
        A port is no opening of the walls.
    CannotDecide
        The duct leaks, or a port's rim does not close.
    """
    what = ("agreement", measured.key, measured.outlet)
    return found_once(measured.assembly, measured.names, what, lambda: _agreement(measured))


def _agreement(measured: MeasuredDuct) -> Agreement:
    route, k = measured.route, measured.outlet
    walls = measured.surfaces[: len(measured.duct.walls)]
    return compare(walls, route.paths[k], route.levels[k], route.potentials[k], _coarse(measured))


def _coarse(measured: MeasuredDuct) -> Potential | None:
    """The potential on cells twice as large; None where those are too large for the duct."""
    duct, assembly = measured.duct, measured.assembly
    names = measured.names[: len(duct.walls)]
    ports = ports_of(assembly, measured.key, duct, names)
    try:
        void = find_void(
            [Surface.of(assembly.parts[name]) for name in names],
            (ports.inlet, *ports.outlets),
            closed=ports.closed,
            spacing=2.0 * measured.route.void.spacing,
            solid=duct.void,
            seal=duct.seal,
        )
        return solve(void, 0, measured.outlet + 1)
    except (CannotDecide, InputError):
        return None
