"""The picture of one step of putting on: what is there, what comes, and which way it goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.order_moves import raised_bolt, stacked
from geomcheck.project.assembly import Assembly
from geomcheck.project.screws import resolve
from geomcheck.project.sockets import connector_of
from geomcheck.project.tools import own_tools, tools_for
from geomcheck.reports import palette
from geomcheck.reports.still import mark
from geomcheck.reports.still.camera import Camera, FloatArray, choose_open
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.paint import paint
from geomcheck.reports.still.shapes import tool_triangles
from geomcheck.reports.still.sheet import TIMES, Sheet
from geomcheck.reports.still.sight import hidden
from geomcheck.reports.still.stage import Stroke

WIDTH, HEIGHT = 900, 560
GHOST = 0.16
#: What stays is looked through, but the parts that carry the step are solid.
_BOLT = palette.HATCH
#: How far a piece is shown off its place, as a share of its size.
_OFF = 0.45
#: From the front left above, where nothing tells better.
_OBLIQUE = np.array([0.47, 0.75, -0.47])


def step_picture(assembly: Assembly, steps: Sequence[Mapping[str, Any]], number: int) -> bytes:
    """Draw one step.

    Parameters
    ----------
    assembly : Assembly
    steps : sequence of mapping
        As :func:`geomcheck.project.order_steps.steps_of` gives them.
    number : int
        Position in ``steps``.

    Returns
    -------
    bytes
        A PNG of 900 x 560 pixels.
    """
    step = steps[number]
    layers = _parts(assembly, step)
    layers += _done(assembly, steps[:number], step)
    new, places, strokes = _new(assembly, step)
    layers += new
    camera = _camera(assembly, step, layers, new, places)
    painted = paint(layers, camera, WIDTH * TIMES, HEIGHT * TIMES)
    sheet = Sheet(WIDTH, HEIGHT)
    sheet.paste(painted.image, 0, 0)
    for line in strokes:
        mark.stroke(sheet, line, camera, WIDTH, HEIGHT)
    if len(places):
        names = step["names"]
        spots = mark.spots_of(camera, places, WIDTH, HEIGHT)
        for name, (x, y) in zip(names, spots, strict=True):
            sheet.ring((x, y), 11.0, palette.OVERLAP, 2.5)
            left = x > WIDTH - 160
            spot, anchor = (x - 16 if left else x + 16, y), "rm" if left else "lm"
            sheet.write(spot, str(name), 17, bold=True, anchor=anchor, halo=4)
    mark.scale_bar(sheet, camera.scale(HEIGHT), (24.0, HEIGHT - 22.0), 200.0)
    mark.axes(sheet, camera, (WIDTH - 60.0, HEIGHT - 60.0), 34.0)
    return sheet.png()


def _bench(step: Mapping[str, Any]) -> bool:
    """Whether a step is done to what is not on yet: it is shown without the vehicle."""
    early = step["kind"] == "plug in" and set(step["parts"]) & set(step["absent"])
    return bool(step["kind"] == "load" or early)


def _parts(assembly: Assembly, step: Mapping[str, Any]) -> list[Layer]:
    """Parts that are there: those of ours and of the step solid, the vehicle's looked through."""
    found = []
    for name, part in assembly.parts.items():
        mine = name in step["parts"]
        ours = part.role != "neighbour"
        if step["kind"] == "set" and mine:
            continue
        if _bench(step):
            # On the bench stands what it goes on with; nothing of the vehicle.
            if not ours:
                continue
        elif name in step["absent"] or name in assembly.open_for_tools:
            continue
        solid = mine or ours
        colour = palette.OURS if solid else palette.GHOST
        closed = part.closed
        found.append(Layer(name, part.triangles, colour, 1.0 if solid else GHOST, closed, closed))
    return found


def _done(
    assembly: Assembly, before: Sequence[Mapping[str, Any]], step: Mapping[str, Any]
) -> list[Layer]:
    """Bolts and plugs that are in already; a loaded bolt goes where its part is."""
    bolts = {n for s in before if s["kind"] in ("put in", "load") for n in s["names"]}
    if step["kind"] == "tighten":
        bolts -= set(step["names"])
    plugs = {n for s in before if s["kind"] == "plug in" for n in s["names"]}
    found = []
    for key, entry in assembly.fasteners:
        away = entry.part in step["absent"] and not _bench(step)
        if entry.name in bolts and not away:
            off = _off(assembly, step) if entry.part in step["parts"] else np.zeros(3)
            shape = _bolt(resolve(assembly, key, entry), 0.0) + off
            found.append(Layer(f"bolt {entry.name}", shape, _BOLT))
    for key, plug in assembly.connectors:
        away = plug.part in step["absent"] and plug.part not in step["parts"]
        if plug.name in plugs and not plug.itself and (_bench(step) or not away):
            off = _off(assembly, step) if plug.part in step["parts"] else np.zeros(3)
            shape = _plug(assembly, key, plug, 0.0) + off
            found.append(Layer(f"plug {plug.name}", shape, _BOLT))
    return found


def _off(assembly: Assembly, step: Mapping[str, Any]) -> FloatArray:
    """How far off its place a piece is shown that is being set, mm."""
    if step["kind"] != "set" or step["direction"] is None:
        return np.zeros(3)
    corners = np.concatenate([assembly.parts[name].bounds for name in step["parts"]])
    size = float(np.linalg.norm(np.ptp(corners, axis=0)))
    return np.asarray(-_OFF * size * np.array(step["direction"]))


def _bolt(fastener: Fastener, lift: float) -> FloatArray:
    return raised_bolt(fastener, lift).tree.triangles


def _plug(assembly: Assembly, key: Any, entry: Any, pulled: float) -> FloatArray:
    body = connector_of(assembly, key, entry)
    rows = [(low, high, wide / 2.0) for low, high, wide in body.profile(pulled)]
    return stacked(body.name, body.frame(), rows).tree.triangles


def _new(
    assembly: Assembly, step: Mapping[str, Any]
) -> tuple[list[Layer], FloatArray, list[Stroke]]:
    """What the step brings: a piece off its place, bolts drawn out, a tool; places; arrows."""
    names = list(step["names"])
    if step["kind"] == "set":
        corners = np.concatenate([assembly.parts[name].bounds for name in step["parts"]])
        off = _off(assembly, step)
        layers = []
        for name in step["parts"]:
            part = assembly.parts[name]
            layers.append(
                Layer(name, part.triangles + off, palette.BLAMED, 1.0, part.closed, part.closed)
            )
        middle = corners.mean(axis=0)
        arrow = np.stack([middle + off, middle + 0.12 * off])
        strokes = [Stroke(arrow, palette.PATH, 4.0)] if off.any() else []
        return layers, np.empty((0, 3)), strokes
    if step["kind"] == "plug in":
        return _plugs(assembly, names)
    layers, strokes = [], []
    places = []
    shown = False
    own = own_tools(assembly)
    by_name = {entry.name: (key, entry) for key, entry in assembly.fasteners}
    for name in names:
        key, entry = by_name[name]
        bolt = resolve(assembly, key, entry)
        tighten = step["kind"] == "tighten"
        lift = 0.0 if tighten else 1.15 * bolt.length
        layers.append(Layer(f"bolt {name}", _bolt(bolt, lift), palette.BLAMED))
        top = bolt.point(bolt.head_top + lift)
        places.append(top)
        if not tighten:
            arrow = np.array([bolt.point(lift - bolt.length), bolt.point(0.1 * bolt.length)])
            strokes.append(Stroke(arrow, palette.PATH, 2.5))
        elif not shown:
            # One tool shows how; more would hide the bolts.
            for tool in tools_for(assembly, key, entry, bolt, own):
                if tool.name == step["tool"]:
                    profile = np.add(tool.profile, (bolt.rest, bolt.rest, 0.0))
                    shape = tool_triangles(np.array(bolt.at), np.array(bolt.axis), profile)
                    layers.append(Layer(tool.name, shape, palette.TOOL, 0.62))
                    shown = True
                    break
    return layers, np.array(places), strokes


def _plugs(
    assembly: Assembly, names: Sequence[str]
) -> tuple[list[Layer], FloatArray, list[Stroke]]:
    layers, places, strokes = [], [], []
    by_name = {entry.name: (key, entry) for key, entry in assembly.connectors}
    for name in names:
        key, entry = by_name[name]
        body = connector_of(assembly, key, entry)
        pulled = 1.5 * body.stroke
        layers.append(Layer(f"plug {name}", _plug(assembly, key, entry, pulled), palette.BLAMED))
        places.append(body.point(pulled + 0.5 * body.length))
        arrow = np.array([body.point(pulled + body.length), body.point(0.0)])
        strokes.append(Stroke(arrow, palette.PATH, 2.5))
    return layers, np.array(places), strokes


def _camera(
    assembly: Assembly,
    step: Mapping[str, Any],
    layers: Sequence[Layer],
    new: Sequence[Layer],
    places: FloatArray,
) -> Camera:
    """Where what is new is in sight, with the piece it belongs to round it."""
    solid = [layer for layer in layers if layer.opacity >= 1.0]
    forward = _OBLIQUE
    if len(places):
        from geomcheck.mesh.tree import TriangleTree

        trees = [TriangleTree(layer.triangles) for layer in solid if layer not in new]
        # The places are tops of heads: a little above them, their own bolt does not count.
        found = choose_open(places, None, partial(hidden, trees), partial(hidden, []), need=0.5)
        forward = forward if found is None else found
    shown = solid if solid else list(layers)
    ends = [layer.triangles.reshape(-1, 3) for layer in shown]
    # Where a piece goes is to be seen, too.
    ends += [assembly.parts[name].bounds for name in step["parts"]]
    low = np.min([points.min(axis=0) for points in ends], axis=0)
    high = np.max([points.max(axis=0) for points in ends], axis=0)
    camera = Camera.looking(forward, 0.5 * (low + high), 1.0)
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1])
                        for z in (low[2], high[2])])  # fmt: skip
    local = (corners - camera.centre) @ camera.axes.T
    wide, tall = np.ptp(local[:, 0]), np.ptp(local[:, 1])
    half = 0.56 * max(float(tall), float(wide) * HEIGHT / WIDTH, 20.0)
    return Camera.looking(forward, camera.centre, half)
