"""Re-check of what is said of the parts themselves: their meshes, and where they stand."""

from geomcheck.verify.body import Edges
from geomcheck.verify.datums import standing
from geomcheck.verify.simple import FloatArray
from geomcheck.verify.sound import sound

__all__ = ["is_closed", "sound", "standing"]


def is_closed(mesh: FloatArray) -> bool:
    """Whether each edge is passed as often one way as the other."""
    return Edges(mesh).closed
