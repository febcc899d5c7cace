"""One part in a picture."""

from __future__ import annotations

from dataclasses import dataclass

from geomcheck.reports.palette import Colour
from geomcheck.reports.still.camera import FloatArray


@dataclass(frozen=True, eq=False)
class Layer:
    """One part in the picture.

    Parameters
    ----------
    name : str
    triangles : (n, 3, 3) float
        mm, housing frame.
    colour : (3,) int
    opacity : float
        1 for opaque; less for a ghost.
    closed : bool
        Whether cut faces may be filled.
    creases : bool
        Whether sharp edges are drawn; not for rough scans.
    note : str
        What its label says below its name; the part's class or role if empty.
    """

    name: str
    triangles: FloatArray
    colour: Colour
    opacity: float = 1.0
    closed: bool = True
    creases: bool = True
    note: str = ""
