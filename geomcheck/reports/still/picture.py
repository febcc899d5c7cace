"""The finished picture: scene, overview, labels with leader lines, scale bar and axes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geomcheck.finding import Finding
from geomcheck.mesh.part import Part
from geomcheck.reports import palette, words
from geomcheck.reports.palette import Colour
from geomcheck.reports.still import mark
from geomcheck.reports.still.paint import Painted, paint
from geomcheck.reports.still.posed import AT_REST
from geomcheck.reports.still.scene import build
from geomcheck.reports.still.sheet import TIMES, Sheet, Spot, shorten
from geomcheck.reports.still.stage import Scene
from geomcheck.reports.still.tint import GapTint

WIDTH, HEIGHT = 1200, 840
#: Width of the view itself; labels stand at its right.
VIEW = 880
_PANEL = VIEW + 26
_INSET = (WIDTH - _PANEL - 8, 212)
_ROW = 44.0
_MOST_LABELS = 11
#: Height of the gap scale under the labels.
_SCALE = 66.0
#: Masks tell of every eighth pixel where the dot of a leader line is looked for.
_COARSE = 8
_DEEP = 4.0
#: A ghost gets a label if it shows on at least this share of the view.
_LEAST_SHARE = 0.004
#: Pixels round the witness points that leader lines do not start from.
_CLEARANCE = 110.0


@dataclass(frozen=True)
class _Label:
    title: str
    note: str
    colour: Colour
    spot: Spot | None


def picture(finding: Finding, parts: Mapping[str, Part]) -> bytes | None:
    """Draw the place of a finding.

    Parameters
    ----------
    finding : Finding
        ``parts`` are drawn solid, all others ghosted; ``view`` is kept where the place can be
        seen from there. ``details`` may hold ``tool`` (``name``, ``at``, ``axis``, ``profile``),
        ``path`` and ``outlines["throat"]``, points in mm in the housing frame; ``maps``, by part,
        from where it stands into the pose that is drawn.
    parts : mapping of str to Part
        Placed parts of the finding's vehicle.

    Returns
    -------
    bytes or None
        A PNG of 1200 x 840 pixels, the same for the same input; None when the finding names no
        part of the assembly and no place.
    """
    scene = build(finding, parts, VIEW / HEIGHT)
    if scene is None:
        return None
    painted = paint(
        scene.layers,
        scene.camera,
        VIEW * TIMES,
        HEIGHT * TIMES,
        cut=scene.cut,
        tint=scene.tint,
        every=_COARSE,
    )
    sheet = Sheet(WIDTH, HEIGHT)
    sheet.paste(painted.image, 0, 0)
    labels = _labels(scene, painted, parts)
    rows = _rows(labels, _SCALE if isinstance(scene.tint, GapTint) else 0.0)
    _draw_leaders(sheet, labels, rows)
    _draw_lines(sheet, scene)
    sheet.area([(VIEW, 0), (WIDTH, 0), (WIDTH, HEIGHT), (VIEW, HEIGHT)], palette.PAPER)
    sheet.line([(VIEW, 0), (VIEW, HEIGHT)], palette.GHOST, 1.0)
    _draw_overview(sheet, scene)
    _write_labels(sheet, labels, rows)
    if isinstance(scene.tint, GapTint):
        _draw_gap_scale(sheet, scene.tint.name)
    _write_measure(sheet, scene, finding)
    mark.scale_bar(sheet, scene.camera.scale(HEIGHT), (24.0, HEIGHT - 22.0), 220.0)
    mark.axes(sheet, scene.camera, (VIEW - 64.0, HEIGHT - 62.0), 38.0)
    if scene.cut is not None:
        text = "Cut open through the place; cut faces are hatched."
        sheet.write((16.0, 14.0), text, 14, colour=palette.FAINT_INK, halo=3)
    return sheet.png()


def _draw_lines(sheet: Sheet, scene: Scene) -> None:
    """Lines that belong to the view: cut surfaces, path, throat, witness points."""
    if scene.cut is not None:
        for layer in scene.layers:
            if not layer.closed or layer.note == AT_REST:
                solid = layer.opacity >= 1.0
                # A part where it stands shows through itself in the pose by its outline.
                dark = solid or layer.note == AT_REST
                colour = _darker(layer.colour) if dark else palette.GHOST
                mark.cut_lines(
                    sheet,
                    layer.triangles,
                    scene.cut,
                    scene.camera,
                    (VIEW, HEIGHT),
                    colour,
                    3.0 if solid else 2.0,
                )
    for line in scene.strokes:
        mark.stroke(sheet, line, scene.camera, VIEW, HEIGHT)
    mark.witness(sheet, mark.spots_of(scene.camera, _marked(scene), VIEW, HEIGHT))


def _marked(scene: Scene) -> np.ndarray:
    return scene.place[None, :] if scene.ends is None else scene.ends


def _write_measure(sheet: Sheet, scene: Scene, finding: Finding) -> None:
    """Write the measured value beside the place: beside an upright line, else above it."""
    quantity = finding.quantity
    if quantity is None:
        return
    decimals = words.DECIMALS.get(quantity.unit, 3)
    number = words.format_number(quantity.value, decimals)
    unit = words.format_unit(quantity.unit)
    text = shorten(f"{quantity.name} {number} {unit}".rstrip(), 320, 19)
    spots = mark.spots_of(scene.camera, _marked(scene), VIEW, HEIGHT)
    (ax, ay), (bx, by) = spots[0], spots[-1]
    x, y = 0.5 * (ax + bx), 0.5 * (ay + by)
    if len(spots) == 1 or abs(by - ay) > abs(bx - ax):
        left = x > VIEW - 240
        spot, anchor = (x - 18 if left else x + 18, y), "rm" if left else "lm"
    else:
        spot, anchor = (x, min(ay, by) - 17), "mb"
    sheet.write(spot, text, 19, bold=True, anchor=anchor, halo=4)


def _draw_overview(sheet: Sheet, scene: Scene) -> None:
    """The whole assembly, with a ring round the place."""
    width, height = _INSET
    left, top = _PANEL, 32
    small = paint(scene.layers, scene.overview, width * TIMES, height * TIMES, every=_COARSE)
    sheet.paste(small.image, left, top)
    ((x, y),) = mark.spots_of(scene.overview, scene.place[None, :], width, height)
    spot = (left + x, top + y)
    sheet.ring(spot, 15.5, palette.PAPER, 7.0)
    sheet.ring(spot, 13.5, palette.OVERLAP, 3.0)
    sheet.write((left, 10), "where it is", 14, colour=palette.FAINT_INK)


def _draw_gap_scale(sheet: Sheet, name: str) -> None:
    """The colours of the gap, 0 mm to the end of the scale, and what lies beyond."""
    left, top, width, height = float(_PANEL), HEIGHT - 44.0, 190.0, 14.0
    title = shorten(f"gap to {name}, mm", WIDTH - _PANEL - 12, 13)
    sheet.write((left, top - 7), title, 13, anchor="ls")
    steps = len(palette.GAP_SCALE)
    for k, colour in enumerate(palette.GAP_SCALE[::4].tolist()):
        x0 = left + width * 4 * k / steps
        x1 = left + width * min(1.0, 4 * (k + 1) / steps)
        sheet.area([(x0, top), (x1, top), (x1, top + height), (x0, top + height)], tuple(colour))
    for k in range(4):
        x = left + width * k / 3
        sheet.line([(x, top + height), (x, top + height + 4)], palette.INK, 1.0)
        text = f"{palette.GAP_END * k / 3:g}"
        sheet.write((x, top + height + 6), text, 12, anchor="la" if k == 0 else "ma")
    x0, x1 = left + width + 30, left + width + 54
    for edge, tone in ((0.0, palette.FAINT_INK), (0.8, palette.BEYOND)):
        sheet.area(
            [
                (x0 + edge, top + edge),
                (x1 - edge, top + edge),
                (x1 - edge, top + height - edge),
                (x0 + edge, top + height - edge),
            ],
            tone,
        )
    sheet.write((0.5 * (x0 + x1), top + height + 6), "beyond", 12, anchor="ma")


def _labels(scene: Scene, painted: Painted, parts: Mapping[str, Part]) -> list[_Label]:
    """One label for each part in sight, from the top down; subjects first if too many."""
    found: list[tuple[int, float, _Label]] = []
    for layer, coarse in zip(scene.layers, painted.seen, strict=True):
        subject = layer.colour != palette.GHOST
        if not subject and coarse.mean() < _LEAST_SHARE:
            continue
        # Leader lines keep off the place itself, unless the part shows nowhere else.
        clear = coarse & _off_place(scene, coarse.shape)
        at = mark.anchor_of(clear if clear.any() else coarse, _DEEP)
        step = _COARSE / TIMES
        spot = None if at is None else ((at[0] + 0.5) * step, (at[1] + 0.5) * step)
        part = parts.get(layer.name)
        note = layer.note or ("tool" if part is None else part.kind or part.role)
        label = _Label(layer.name, note if spot else f"{note}, not in sight", layer.colour, spot)
        found.append((0 if subject else 1, -float(coarse.mean()), label))
    found.sort(key=lambda entry: entry[:2])
    labels = [entry[2] for entry in found[:_MOST_LABELS]]
    labels.sort(key=lambda label: (label.spot is None, label.spot[1] if label.spot else 0.0))
    if painted.overlap:
        labels.append(_Label("overlap", "two parts in one place", palette.OVERLAP, None))
    if any(stroke.colour == palette.PATH for stroke in scene.strokes):
        labels.append(_Label("flow path", "the arrow shows the flow", palette.PATH, None))
        if len(scene.strokes) > 1:
            labels.append(_Label("throat", "outline of the section", palette.PATH, None))
    return labels


def _off_place(scene: Scene, shape: tuple[int, int]) -> np.ndarray:
    """(h, w) bool over a thinned view: where a leader line may start."""
    step = _COARSE / TIMES
    rows, columns = np.indices(shape)
    # The view's right edge is left to the lines themselves.
    off = np.asarray((columns + 0.5) * step < VIEW - 45.0)
    for x, y in mark.spots_of(scene.camera, _marked(scene), VIEW, HEIGHT):
        dx, dy = (columns + 0.5) * step - x, (rows + 0.5) * step - y
        off &= np.hypot(dx, dy) > _CLEARANCE
        # Nor do they pass over it on their way to the right.
        off &= (dx > 0.0) | (np.abs(dy) > 0.5 * _CLEARANCE)
    return off


def _rows(labels: list[_Label], foot: float) -> list[float]:
    """Heights of the labels: between overview and foot, near their parts, none over another."""
    top, bottom = 32.0 + _INSET[1] + 22.0, HEIGHT - 14.0 - foot
    row = min(_ROW, (bottom - top) / max(1, len(labels)))
    heights: list[float] = []
    for number, label in enumerate(labels):
        want = label.spot[1] if label.spot else bottom
        least = heights[-1] + row if heights else top + 0.5 * row
        most = bottom - row * (len(labels) - number - 0.5)
        heights.append(min(max(want, least), most))
    return heights


def _draw_leaders(sheet: Sheet, labels: list[_Label], rows: list[float]) -> None:
    for label, y in zip(labels, rows, strict=True):
        if label.spot is not None:
            sheet.line([label.spot, (VIEW, y)], palette.FAINT_INK, 1.0, halo=0.8)
            sheet.disc(label.spot, 4.0, palette.PAPER)
            sheet.disc(label.spot, 3.0, palette.INK)


def _write_labels(sheet: Sheet, labels: list[_Label], rows: list[float]) -> None:
    width = WIDTH - _PANEL - 26 - 8
    for label, y in zip(labels, rows, strict=True):
        if label.spot is not None:
            sheet.line([(VIEW, y), (_PANEL - 6, y)], palette.FAINT_INK, 1.0)
        for edge, colour in ((8.0, palette.INK), (7.0, label.colour)):
            x0, x1 = _PANEL + 8.0 - edge, _PANEL + 8.0 + edge
            sheet.area([(x0, y - edge), (x1, y - edge), (x1, y + edge), (x0, y + edge)], colour)
        strong = label.colour != palette.GHOST
        title = shorten(label.title, width, 16, bold=strong)
        note = shorten(label.note, width, 13)
        sheet.write((_PANEL + 26, y + (-1 if note else 6)), title, 16, bold=strong, anchor="ls")
        sheet.write((_PANEL + 26, y + 15), note, 13, anchor="ls", colour=palette.FAINT_INK)


def _darker(colour: Colour) -> Colour:
    red, green, blue = (round(0.62 * c) for c in colour)
    return (red, green, blue)
