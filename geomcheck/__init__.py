"""geomcheck: does it fit, does it breathe, can it be put on.

    geomcheck.read_mesh(path, unit)               a mesh file, whole, in millimetres
    geomcheck.gap(a, b)                           least distance and state of two parts
    geomcheck.duct_area(walls, path)              open area of a duct along a path
    geomcheck.reach(fastener, tool, obstacles)    room round a tool on a fastener
    geomcheck.check(project)                      every question of a project file

Meshes are ``trimesh.Trimesh`` objects or triangle arrays, in millimetres. The rooms
``geomcheck.fit``, ``geomcheck.flow`` and ``geomcheck.fasten`` offer more; ``geomcheck check
PROJECT.toml`` is the command line.
"""

from typing import TYPE_CHECKING, Any

from geomcheck.errors import CannotDecide, GeomcheckError, InputError
from geomcheck.finding import Finding, Quantity, Requirement, Result, Verdict
from geomcheck.version import __version__

if TYPE_CHECKING:
    from geomcheck.api import check, duct_area, gap, reach, read_mesh


__all__ = [
    "CannotDecide",
    "Finding",
    "GeomcheckError",
    "InputError",
    "Quantity",
    "Requirement",
    "Result",
    "Verdict",
    "__version__",
    "check",
    "duct_area",
    "gap",
    "reach",
    "read_mesh",
]

_DOORS = frozenset({"check", "duct_area", "gap", "reach", "read_mesh"})


def __getattr__(name: str) -> Any:
    """Load the public functions on first use: they bring numpy and the kernels with them."""
    if name in _DOORS:
        from geomcheck import api

        return getattr(api, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
