"""geomcheck: does it fit, does it breathe, can it be put on, can it be made.

The rooms ``geomcheck.fit``, ``geomcheck.flow`` and ``geomcheck.fasten`` are the Python interface;
they take ``trimesh.Trimesh`` objects or triangle arrays. ``geomcheck check PROJECT.toml`` is the
command line.
"""

from geomcheck.errors import CannotDecide, GeomcheckError, InputError
from geomcheck.finding import Finding, Quantity, Requirement, Verdict

__version__ = "0.1.0"

__all__ = [
    "CannotDecide",
    "Finding",
    "GeomcheckError",
    "InputError",
    "Quantity",
    "Requirement",
    "Verdict",
    "__version__",
]
