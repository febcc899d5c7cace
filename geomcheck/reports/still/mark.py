"""Marks on the picture: witness points, lines through space, cuts, scale bar, axes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geomcheck.reports import palette
from geomcheck.reports.palette import Colour
from geomcheck.reports.still.camera import Camera, FloatArray
from geomcheck.reports.still.sheet import Sheet, Spot
from geomcheck.reports.still.stage import Stroke

#: A line between two witness points is drawn from this length on, pixels; arrows under it.
_LEAST_LINE = 22.0
_AXES = ("x", "y", "z")


def spots_of(camera: Camera, points: FloatArray, width: int, height: int) -> list[Spot]:
    """Where (n, 3) points fall in a picture of this size."""
    at, _ = camera.place(points, width, height)
    return [(float(x), float(y)) for x, y in at]


def stroke(sheet: Sheet, line: Stroke, camera: Camera, width: int, height: int) -> None:
    """Draw a line through space, with an arrow head at its end if it is open."""
    spots = spots_of(camera, line.points, width, height)
    if line.closed:
        spots.append(spots[0])
        if line.fill > 0.0:
            sheet.area(spots, line.colour, line.fill)
    sheet.line(spots, line.colour, line.width, halo=1.0)
    if not line.closed:
        end, before = spots[-1], spots[-2]
        towards = (end[0] - before[0], end[1] - before[1])
        sheet.arrow(end, towards, line.colour, 7.0 * line.width)


def cut_lines(
    sheet: Sheet,
    triangles: FloatArray,
    cut: float,
    camera: Camera,
    size: tuple[int, int],
    colour: Colour,
    thick: float,
) -> None:
    """Draw where a plane at depth ``cut`` cuts a surface that has no inside to fill."""
    at, depth = camera.place(triangles, *size)
    away = depth - cut
    crossing = (away.min(axis=1) < 0.0) & (away.max(axis=1) >= 0.0)
    for corners, heights in zip(at[crossing], away[crossing], strict=True):
        spots: list[Spot] = []
        for k in range(3):
            one, two = heights[k], heights[(k + 1) % 3]
            if (one < 0.0) != (two < 0.0):
                x, y = corners[k] + one / (one - two) * (corners[(k + 1) % 3] - corners[k])
                spots.append((float(x), float(y)))
        sheet.line(spots, colour, thick)


def witness(sheet: Sheet, spots: Sequence[Spot]) -> None:
    """Mark one place, or two with the line between them; arrows where they are too near."""
    if len(spots) == 2:
        (ax, ay), (bx, by) = spots
        if math.hypot(bx - ax, by - ay) < _LEAST_LINE:
            _arrows(sheet, spots)
            return
        sheet.line(spots, palette.INK, 2.0, halo=1.5)
    for spot in spots:
        for radius, colour in ((6.5, palette.PAPER), (5.0, palette.INK), (2.4, palette.PAPER)):
            sheet.disc(spot, radius, colour)


def _arrows(sheet: Sheet, spots: Sequence[Spot]) -> None:
    (ax, ay), (bx, by) = spots
    length = math.hypot(bx - ax, by - ay)
    ux, uy = ((bx - ax) / length, (by - ay) / length) if length > 1e-6 else (0.0, -1.0)
    for x, y, sign in ((ax, ay, -1.0), (bx, by, 1.0)):
        tail = (x + sign * ux * 46.0, y + sign * uy * 46.0)
        neck = (x + sign * ux * 9.0, y + sign * uy * 9.0)
        sheet.line([neck, tail], palette.INK, 2.0, halo=1.5)
        towards = (-sign * ux, -sign * uy)
        tip = (x + sign * ux * 0.5, y + sign * uy * 0.5)
        sheet.arrow((x - sign * ux * 0.5, y - sign * uy * 0.5), towards, palette.PAPER, 15.0)
        sheet.arrow(tip, towards, palette.INK, 12.0)


def axes(sheet: Sheet, camera: Camera, at: Spot, length: float) -> None:
    """Draw the housing frame's axes; one that points at or away from the reader is a ring."""
    local = camera.axes.T
    for k in np.argsort(-local[:, 2], kind="stable").tolist():
        dx, dy = float(local[k, 0]) * length, float(local[k, 1]) * length
        flat = math.hypot(dx, dy)
        name = _AXES[k]
        if flat < 0.2 * length:
            _end_on(sheet, at, name, local, k)
            continue
        tip = (at[0] + dx, at[1] + dy)
        sheet.line([at, tip], palette.INK, 1.6, halo=1.0)
        ux, uy = dx / flat, dy / flat
        sheet.arrow((tip[0] + 4 * ux, tip[1] + 4 * uy), (ux, uy), palette.INK, 9.0)
        sheet.write((tip[0] + 15 * ux, tip[1] + 15 * uy), name, 14, anchor="mm", halo=2)


def _end_on(sheet: Sheet, at: Spot, name: str, local: FloatArray, k: int) -> None:
    """Mark an axis seen end on: a dot when it points at the reader, a cross when away."""
    x, y = at
    sheet.disc(at, 6.0, palette.INK)
    sheet.disc(at, 4.6, palette.PAPER)
    if local[k, 2] < 0.0:
        sheet.disc(at, 1.8, palette.INK)
    else:
        sheet.line([(x - 3, y - 3), (x + 3, y + 3)], palette.INK, 1.2)
        sheet.line([(x - 3, y + 3), (x + 3, y - 3)], palette.INK, 1.2)
    # Its name stands away from the other two.
    others = local[[i for i in range(3) if i != k], :2].sum(axis=0)
    size = float(np.linalg.norm(others)) or 1.0
    spot = (x - 17 * others[0] / size, y - 17 * others[1] / size)
    sheet.write(spot, name, 14, anchor="mm", halo=2)


def bar_length(longest: float) -> float:
    """Find the greatest of 1, 2, 5, 10 ... that is not longer than ``longest``."""
    power = 10.0 ** math.floor(math.log10(longest))
    return next(m * power for m in (5.0, 2.0, 1.0) if m * power <= longest * (1 + 1e-9))


def scale_bar(sheet: Sheet, pixels_per_mm: float, at: Spot, longest: float) -> None:
    """Draw a bar of a round length, at most ``longest`` pixels, from ``at`` to the right."""
    length = bar_length(longest / pixels_per_mm)
    x, y = at
    end = x + length * pixels_per_mm
    sheet.line([(x, y), (end, y)], palette.INK, 2.0, halo=2.0)
    for spot in (x, end):
        sheet.line([(spot, y - 6), (spot, y + 6)], palette.INK, 2.0)
    sheet.write(((x + end) / 2, y - 9), f"{length:g} mm", 15, anchor="mb", halo=3)


def anchor_of(mask: NDArray[np.bool_], deep: float) -> Spot | None:
    """Column and row inside a mask for the dot of a leader line; None if it is empty.

    Among the pixels that lie ``deep`` or more inside, one near the mask's middle height and far to
    the right, where the labels are; where none does, among the deepest.
    """
    from scipy import ndimage

    if not mask.any():
        return None
    # Pixels outside the picture count as not seen, so that the dot keeps off its edge.
    inner: Any = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    rows, columns = np.indices(mask.shape)
    off = np.abs(rows - float(np.nonzero(mask)[0].mean()))
    score = np.minimum(inner, deep) * sum(mask.shape) + 0.3 * columns - off
    row, column = divmod(int(np.argmax(score)), mask.shape[1])
    return float(column), float(row)
