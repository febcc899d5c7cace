"""What stands in the picture of one finding: parts, tool, path, marks, and the side it shows."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from functools import partial
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from geomcheck.finding import Finding
from geomcheck.mesh.part import Part
from geomcheck.mesh.query import winding_number
from geomcheck.reports import palette
from geomcheck.reports.still.camera import Camera, FloatArray, choose_cut, choose_open, unit
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.posed import posed
from geomcheck.reports.still.shapes import points_of, tool_shape
from geomcheck.reports.still.sight import hidden
from geomcheck.reports.still.stage import Scene, Stroke
from geomcheck.reports.still.tint import GapTint, ToolTint

GHOST_OPACITY = 0.15
TOOL_OPACITY = 0.62
#: A handle may widen the view of a tool by this factor.
MOST_HANDLE = 1.6
#: A cutting plane is moved off the place by this much, mm, so that it does not lie in a flat face.
NUDGE = 0.0137
#: Share of a place that ghosts may stand before in the view a finding wishes for.
MOST_GHOSTED = 0.35
#: Gap, mm, under which nothing can be seen between two parts from outside.
LEAST_SEEN_GAP = 0.3
#: Width of the overview over its height.
OVERVIEW_ASPECT = 1.35
_TURN, _TILT = math.radians(58.0), math.radians(28.0)
#: The side from which the overview looks.
_OBLIQUE = Camera.looking(
    np.array(
        [
            math.cos(_TILT) * math.cos(_TURN),
            math.cos(_TILT) * math.sin(_TURN),
            -math.sin(_TILT),
        ]
    ),
    np.zeros(3),
    1.0,
)
#: Parts stand in many pictures; what is worked out of a part goes when the part does.
_EXTENTS: WeakKeyDictionary[Part, FloatArray] = WeakKeyDictionary()


def build(finding: Finding, parts: Mapping[str, Part], aspect: float) -> Scene | None:
    """Scene of a finding; None when it names no place and no part that stands in the assembly.

    Parameters
    ----------
    finding : Finding
    parts : mapping of str to Part
    aspect : float
        Width of the picture over its height.
    """
    subjects = [name for name in finding.parts if name in parts]
    witnesses = [np.array(witness.point, dtype=np.float64) for witness in finding.witnesses]
    if not subjects and not witnesses:
        return None
    overview = _overview(parts)
    parts, rest = posed(finding, parts)
    subjects = [name for name in subjects if name in parts]
    layers = _layers(subjects, parts, {layer.name for layer in rest}) + rest
    if finding.details.get("maps") and "path" not in finding.details and len(witnesses) > 2:
        # The first place is where the part stands; what was measured lies in the pose.
        witnesses = witnesses[1:]
    tool = finding.details.get("tool")
    path = points_of(finding.details.get("path"))
    if isinstance(tool, Mapping):
        return _tool_scene(finding, tool, layers, witnesses, parts, overview)
    if len(path) >= 2:
        return _duct_scene(finding, path, layers, witnesses, overview, aspect)
    return _gap_scene(finding, layers, witnesses, parts, overview)


def _layers(
    subjects: Sequence[str], parts: Mapping[str, Part], posed_parts: Collection[str]
) -> list[Layer]:
    """Subjects opaque, the one to blame in its own colour; all other parts ghosted."""
    layers = []
    strangers = bool(subjects) and all(parts[name].role == "neighbour" for name in subjects)
    for name, part in parts.items():
        shown = name in subjects
        # What is carried is ours, but the one to blame where it meets the housing.
        met = len(subjects) > 1 and name == subjects[-1] and part.role == "carried"
        # Of two neighbours it is the one that is kept clear of.
        other = part.role == "neighbour" and not (strangers and name != subjects[-1])
        blamed = shown and (other or met)
        colour = palette.BLAMED if blamed else palette.OURS if shown else palette.GHOST
        opacity = 1.0 if shown else GHOST_OPACITY
        note = "in that pose" if name in posed_parts else ""
        layers.append(Layer(name, part.triangles, colour, opacity, part.closed, part.closed, note))
    return layers


def _gap_scene(
    finding: Finding,
    layers: list[Layer],
    witnesses: list[FloatArray],
    parts: Mapping[str, Part],
    overview: Camera,
) -> Scene:
    """Two parts and the place between them."""
    solid = [layer for layer in layers if layer.opacity >= 1.0]
    boxes = np.stack([parts[layer.name].bounds for layer in solid or layers])
    size = float(np.linalg.norm(boxes[0, 1] - boxes[0, 0]))
    if not witnesses:
        middle = np.asarray(0.5 * (boxes[:, 0].min(axis=0) + boxes[:, 1].max(axis=0)))
        camera = Camera.looking(overview.forward, middle, 0.6 * size)
        return Scene(layers, [], camera, None, overview, middle, None)
    ends = np.stack(witnesses[:2]) if len(witnesses) > 1 else None
    place = witnesses[0] if ends is None else np.asarray(ends.mean(axis=0))
    across = None if ends is None else ends[1] - ends[0]
    length = 0.0 if across is None else float(np.linalg.norm(across))
    along = None if across is None else unit(across)
    # Near enough to see a small gap, far enough to know the place again.
    half = max(0.85 * length + 6.0, min(20.0 * length + 8.0, 0.10 * size, 60.0), 12.0)
    forward: FloatArray | None = None
    measured = _measured(finding)
    between = measured is None or measured > LEAST_SEEN_GAP
    if ends is not None and length > LEAST_SEEN_GAP and between:
        points = ends[0] + np.array([[0.12], [0.5], [0.88]]) * (ends[1] - ends[0])
        forward = _open_view(finding, points, along, parts, need=0.99)
    elif ends is None:
        forward = _open_view(finding, place[None, :], None, parts, need=0.99)
    if forward is not None:
        camera = Camera.looking(forward, place, half)
        tint = _gap_tint(finding, layers, parts, camera)
        return Scene(layers, [], camera, None, overview, place, ends, tint)
    camera = Camera.looking(choose_cut([] if along is None else [along]), place, half)
    tint = _gap_tint(finding, layers, parts, camera)
    return Scene(layers, [], camera, _nudge(finding, parts, camera), overview, place, ends, tint)


def _nudge(finding: Finding, parts: Mapping[str, Part], camera: Camera) -> float:
    """Depth of a cutting plane beside the camera's centre, on the side that cuts more parts.

    A place on the end face of a part is cut just inside that face: points round each witness
    point, in either plane, are asked whether they lie in its part.
    """
    angle = np.arange(8) * (math.pi / 4)
    ring = np.cos(angle)[:, None] * camera.right + np.sin(angle)[:, None] * camera.up
    spots = np.concatenate([radius * ring for radius in (0.05, 0.3, 1.0)])
    cuts = [0, 0]
    for witness in finding.witnesses:
        part = parts.get(witness.part)
        if part is None or not part.closed:
            continue
        for side, cut in enumerate((NUDGE, -NUDGE)):
            points = np.array(witness.point) + cut * camera.forward + spots
            cuts[side] += bool((winding_number(part.tree, points) > 0.5).any())
    return NUDGE if cuts[0] >= cuts[1] else -NUDGE


def _measured(finding: Finding) -> float | None:
    """What was measured at the place: the least gap of the first zone, else the quantity."""
    zones = finding.details.get("zones")
    if isinstance(zones, Sequence) and zones:
        return float(zones[0]["least_gap"])
    return None if finding.quantity is None else finding.quantity.value


def _gap_tint(
    finding: Finding, layers: Sequence[Layer], parts: Mapping[str, Part], camera: Camera
) -> GapTint | None:
    """Gap from our parts to the one to blame, if that is what was measured."""
    if not finding.details.get("zones") and (
        finding.quantity is None or finding.quantity.name != "gap"
    ):
        return None
    ours = [k for k, layer in enumerate(layers) if layer.colour == palette.OURS]
    blamed = [layer.name for layer in layers if layer.colour == palette.BLAMED]
    if not ours or len(blamed) != 1:
        return None
    return GapTint(ours, parts[blamed[0]].tree, blamed[0], camera)


def _tool_scene(
    finding: Finding,
    tool: Mapping[str, Any],
    layers: list[Layer],
    witnesses: list[FloatArray],
    parts: Mapping[str, Part],
    overview: Camera,
) -> Scene:
    """A tool on its fastener, seen across its axis."""
    at = points_of([tool["at"]])[0]
    axis = unit(points_of([tool["axis"]])[0])
    if axis is None:
        raise ValueError(f"{finding.subject}: a tool's axis has no direction")
    profile = np.array(tool["profile"], dtype=np.float64).reshape(-1, 3)
    shape, swept, reach = tool_shape(tool, at, axis, profile)
    strokes = [Stroke(swept, palette.TOOL, 2.0, closed=True, fill=0.25)] if len(swept) else []
    name = str(tool.get("name", "tool"))
    layers = [*layers, Layer(name, shape, palette.TOOL, TOOL_OPACITY, True, True)]
    top = float(profile[:, 1].max())
    low = min(0.0, float(profile[:, 0].min()))
    place = at + axis * 0.5 * (low + top)
    half = max(0.62 * (top - low), 0.8 * float(profile[:, 2].max()), 20.0) + 8.0
    # A long handle may leave the picture: the fastener must stay to be seen.
    half = max(half, min(0.62 * reach, MOST_HANDLE * half))
    ends = np.stack(witnesses[:2]) if len(witnesses) > 1 else None
    marked = witnesses[0] if witnesses else at
    half = max(half, 1.15 * float(np.linalg.norm(marked - place)))
    # Points on the tool's own axis: what hides them hides the tool.
    points = at + np.linspace(0.15, 0.95, 7)[:, None] * (top * axis)
    forward = _open_view(finding, points, axis, parts, need=0.55)
    cut = None
    if forward is None:
        across = [axis] if not witnesses else [axis, unit(marked - at) or axis]
        forward = choose_cut(across)
        cut = float((at - place) @ forward) + NUDGE
    camera = Camera.looking(forward, place, half)
    tint = ToolTint(at, axis, profile, camera)
    return Scene(layers, strokes, camera, cut, overview, marked, ends, tint)


def _duct_scene(
    finding: Finding,
    path: FloatArray,
    layers: list[Layer],
    witnesses: list[FloatArray],
    overview: Camera,
    aspect: float,
) -> Scene:
    """A duct cut open along its path."""
    place = witnesses[0] if witnesses else path[len(path) // 2]
    centred = path - path.mean(axis=0)
    _, spread, rows = np.linalg.svd(centred, full_matrices=False)
    bent = len(spread) > 1 and spread[1] > 0.05 * spread[0]
    forward = choose_cut([rows[0], rows[1]] if bent else [rows[0]])
    camera = Camera.looking(forward, path.mean(axis=0), 1.0)
    local = centred @ camera.axes.T
    low, high = local[:, :2].min(axis=0), local[:, :2].max(axis=0)
    outlines = finding.details.get("outlines")
    throat = outlines.get("throat", ()) if isinstance(outlines, Mapping) else ()
    loops = [loop for loop in (points_of(line) for line in throat) if len(loop) > 2]
    bore = max((float(np.ptp(loop, axis=0).max()) for loop in loops), default=40.0)
    half = max(0.5 * float(high[1] - low[1]), 0.5 * float(high[0] - low[0]) / aspect) + 0.75 * bore
    middle = path.mean(axis=0) + camera.axes[:2].T @ (0.5 * (low + high))
    strokes = [Stroke(path, palette.PATH, 2.0)]
    strokes += [Stroke(loop, palette.PATH, 3.2, closed=True, fill=0.25) for loop in loops]
    camera = Camera.looking(forward, middle, half)
    cut = float((place - middle) @ forward) + NUDGE
    if bent:
        cut = float(np.median((path - middle) @ forward)) + NUDGE
    return Scene(layers, strokes, camera, cut, overview, place, None)


def _open_view(
    finding: Finding,
    points: FloatArray,
    along: FloatArray | None,
    parts: Mapping[str, Part],
    *,
    need: float,
) -> FloatArray | None:
    """A direction from which the points are in sight: the finding's own wish if it serves."""
    near = [part.tree for name, part in parts.items() if name in finding.parts]
    rest = [part.tree for name, part in parts.items() if name not in finding.parts]
    if finding.view is not None:
        wish = unit(np.array(finding.view, dtype=np.float64))
        if (
            wish is not None
            and hidden(near, points, wish[None, :])[0] <= 1.0 - need
            and hidden(rest, points, wish[None, :])[0] <= MOST_GHOSTED
        ):
            return wish
    return choose_open(points, along, partial(hidden, near), partial(hidden, rest), need=need)


def _overview(parts: Mapping[str, Part]) -> Camera:
    """The housing and what is round it, from the front left above."""
    own = [part for part in parts.values() if part.role != "neighbour"] or list(parts.values())
    extents = np.stack([_extent(part) for part in own])
    low, high = extents[:, 0].min(axis=0), extents[:, 1].max(axis=0)
    centre = _OBLIQUE.axes.T @ (0.5 * (low + high))
    half = 0.5 * max(float(high[1] - low[1]), float(high[0] - low[0]) / OVERVIEW_ASPECT)
    return Camera.looking(_OBLIQUE.forward, centre, max(1.5 * half, 1.0))


def _extent(part: Part) -> FloatArray:
    """(2, 3) least and greatest coordinates of a part in the axes of the overview, mm."""
    known = _EXTENTS.get(part)
    if known is None:
        local = part.vertices @ _OBLIQUE.axes.T
        known = _EXTENTS[part] = np.stack([local.min(axis=0), local.max(axis=0)])
    return known
