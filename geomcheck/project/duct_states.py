"""A duct in one of the states it is measured in."""

from __future__ import annotations

from geomcheck.project.assembly import Assembly
from geomcheck.project.ducts import DuctEntry
from geomcheck.project.lines import Key


def in_state(
    assembly: Assembly, key: Key, duct: DuctEntry, position: int, state: str
) -> tuple[Assembly, DuctEntry]:
    """The vehicle in the state, and the duct without the parts that the state leaves out.

    ``position``: of the state in the duct's list.

    Raises
    ------
    ProjectError
        No such state, or one that leaves out all walls of the duct.
    """
    if state not in {entry.name for _, entry in assembly.states}:
        known = ", ".join(f'"{entry.name}"' for _, entry in assembly.states) or "none"
        assembly.refuse(
            (*key, "states", position),
            f'there is no state "{state}" in vehicle "{assembly.vehicle}"',
            f"known: {known}",
        )
    moved = assembly.in_state(state)
    gone = set(assembly.parts) - set(moved.parts)
    walls = tuple(name for name in duct.walls if name not in gone)
    if not walls:
        assembly.refuse(
            (*key, "states", position),
            f'the state "{state}" leaves out all walls of duct "{duct.name}"',
            "keep a wall, or measure the duct in another state",
        )
    obstacles = tuple(name for name in duct.obstacles if name not in gone)
    return moved, duct.model_copy(update={"walls": walls, "obstacles": obstacles})
