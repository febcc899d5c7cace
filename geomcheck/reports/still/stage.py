"""What a picture is made of."""

from __future__ import annotations

from dataclasses import dataclass

from geomcheck.reports.palette import Colour
from geomcheck.reports.still.camera import Camera, FloatArray
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.paint import Tint


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line through space.

    Parameters
    ----------
    points : (n, 3) float
        mm.
    colour : (3,) int
    width : float
        Pixels of the finished picture.
    closed : bool
        Whether the last point joins the first.
    fill : float
        Opacity of the area inside, 0 for none.
    """

    points: FloatArray
    colour: Colour
    width: float
    closed: bool = False
    fill: float = 0.0


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything a picture needs.

    Parameters
    ----------
    layers : list of Layer
    strokes : list of Stroke
    camera : Camera
    cut : float or None
        Depth of the cutting plane from the camera's centre, mm.
    overview : Camera
        The whole assembly from an oblique side.
    place : (3,) float
    ends : (2, 3) float or None
        The two witness points of a gap or an overlap.
    tint : Tint or None
        Colours on the surfaces.
    """

    layers: list[Layer]
    strokes: list[Stroke]
    camera: Camera
    cut: float | None
    overview: Camera
    place: FloatArray
    ends: FloatArray | None
    tint: Tint | None = None
