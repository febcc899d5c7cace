"""Two pictures of one place from one camera: the earlier revision and the later one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geomcheck.compare.changes import Change
from geomcheck.compare.shapes import Moved, PartChange
from geomcheck.mesh.part import Part
from geomcheck.mesh.query import point_distance
from geomcheck.mesh.tree import TriangleTree
from geomcheck.project.assembly import Assembly
from geomcheck.reports import palette
from geomcheck.reports.still import mark
from geomcheck.reports.still.camera import Camera, FloatArray, choose_cut, choose_open, unit
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.paint import FloatImage, IntImage, paint
from geomcheck.reports.still.scene import build
from geomcheck.reports.still.sheet import TIMES, Sheet
from geomcheck.reports.still.sight import hidden
from geomcheck.reports.still.tint import unproject
from geomcheck.reports.still.tone import Image

WIDTH, HEIGHT = 640, 460
GHOST = 0.16
#: Of a region's points, the least share that must be in sight in both revisions.
_NEED = 0.55
#: Half the picture's height over half the region's size, and the least half height, mm.
_ROOM = 1.5
_LEAST = 15.0
#: Pixels between samples of the deviation.
_STEP = 2
_NUDGE = 0.0137
#: How much of the light is left on coloured surfaces.
_LIGHT = 0.55


@dataclass(frozen=True, eq=False)
class MovedTint:
    """Colours the first layer where it lies off the other revision.

    Parameters
    ----------
    other : TriangleTree
    band : float
        What is nearer has not moved, mm.
    camera : Camera
    """

    other: TriangleTree
    band: float
    camera: Camera

    def __call__(self, image: Image, depth: FloatImage, label: IntImage) -> None:
        """Mix the colour of what moved into the shaded surface."""
        mine = label == 0
        rows, columns = np.nonzero(mine[::_STEP, ::_STEP])
        if len(rows) == 0:
            return
        points = unproject(self.camera, (rows * _STEP, columns * _STEP), depth)
        # Depths are float32; and a pixel's middle is off its surface by nothing else.
        slack = self.band + 1e-4 * self.camera.half
        far = point_distance(self.other, points, slack).triangle < 0
        coarse = np.zeros(mine[::_STEP, ::_STEP].shape, dtype=np.bool_)
        coarse[rows, columns] = far
        wide = coarse.repeat(_STEP, axis=0).repeat(_STEP, axis=1)[: mine.shape[0], : mine.shape[1]]
        here = wide & mine
        light = image[here].astype(np.float32) / np.array(palette.OURS, dtype=np.float32)
        light = 1.0 + _LIGHT * (light - 1.0)
        tone = np.array(palette.OVERLAP, dtype=np.float32) * light
        image[here] = np.clip(np.rint(tone), 0, 255).astype(np.uint8)


def before_and_after(
    part: PartChange,
    moved: Moved,
    old: Mapping[str, Assembly],
    new: Mapping[str, Assembly],
) -> tuple[bytes, bytes] | None:
    """Draw a region as it was and as it is, from one camera at one scale.

    Parameters
    ----------
    part : PartChange
    moved : Moved
        One of its regions. Parts that were measured there are looked through.
    old, new : mapping of str to Assembly
        By vehicle.

    Returns
    -------
    (bytes, bytes) or None
        Two PNG of 640 x 460 pixels; None for a part that is in one revision only.
    """
    if part.old is None or part.new is None:
        return None
    region = moved.region
    both = (part.old, part.new)
    centre = 0.5 * (region.low + region.high)
    size = 0.5 * float(np.linalg.norm(region.high - region.low))
    half = max(_ROOM * size, _LEAST)
    # A shift is best seen from the side.
    forward = None
    if region.shift is not None:
        forward = _direction(both, region.spots, unit(region.shift))
    if forward is None:
        forward = _direction(both, region.spots, None)
    cut = None
    if forward is None:
        forward, cut = choose_cut([]), _NUDGE
    camera = Camera.looking(forward, centre, half)
    vehicle, names = _beside(part, moved)
    drawn = []
    for revision, assemblies, own, other in (
        ("earlier", old, part.old, part.new),
        ("later", new, part.new, part.old),
    ):
        parts = assemblies[vehicle].parts if vehicle in assemblies else {}
        ghosts = [parts[name] for name in names if name in parts]
        drawn.append(_picture(own, other, ghosts, camera, cut, region.band, f"{revision} revision"))
    return drawn[0], drawn[1]


def change_pictures(
    change: Change, old: Mapping[str, Assembly], new: Mapping[str, Assembly]
) -> tuple[bytes, bytes] | None:
    """Draw the place of a finding in both revisions, from the camera of its later picture.

    Returns
    -------
    (bytes, bytes) or None
        As :func:`before_and_after`; None where the finding has no place, or its vehicle or a part
        of it is in one revision only.
    """
    finding = change.finding
    if finding.vehicle not in old or finding.vehicle not in new or not finding.witnesses:
        return None
    both = [assemblies[finding.vehicle].parts for assemblies in (old, new)]
    names = [name for name in finding.parts if all(name in parts for parts in both)]
    scene = build(finding, both[1] if change.new is not None else both[0], WIDTH / HEIGHT)
    if scene is None or not names:
        return None
    drawn = []
    for word, parts in zip(("earlier", "later"), both, strict=True):
        layers = [
            Layer(
                name,
                part.triangles,
                palette.BLAMED if name == names[-1] and len(names) > 1
                else palette.OURS if name in names else palette.GHOST,
                1.0 if name in names else GHOST,
                part.closed,
                part.closed,
                "",
            )
            for name, part in parts.items()
        ]  # fmt: skip
        painted = paint(layers, scene.camera, WIDTH * TIMES, HEIGHT * TIMES, cut=scene.cut)
        sheet = Sheet(WIDTH, HEIGHT)
        sheet.paste(painted.image, 0, 0)
        place = mark.spots_of(scene.camera, scene.place[None, :], WIDTH, HEIGHT)[0]
        sheet.ring(place, 17.0, palette.OVERLAP, 3.0)
        drawn.append(_signed(sheet, scene.camera, f"{word} revision", names, scene.cut))
    return drawn[0], drawn[1]


def _direction(
    both: tuple[Part, Part], spots: tuple[FloatArray, FloatArray], along: FloatArray | None
) -> FloatArray | None:
    """A direction from which the place is in sight in both revisions."""
    known = [(part.tree, points) for part, points in zip(both, spots, strict=True) if len(points)]

    def solid(_points: FloatArray, ways: FloatArray) -> FloatArray:
        return np.asarray(np.max([hidden([tree], points, ways) for tree, points in known], axis=0))

    def none(_points: FloatArray, ways: FloatArray) -> FloatArray:
        return np.zeros(len(ways))

    points = np.concatenate([points for _, points in known])
    return choose_open(points, along, solid, none, need=_NEED)


def _beside(part: PartChange, moved: Moved) -> tuple[str, list[str]]:
    """The vehicle and the parts that were measured against the part there."""
    names: dict[str, None] = {}
    vehicle = ""
    for change in moved.changes:
        vehicle = vehicle or change.finding.vehicle
        if change.finding.vehicle == vehicle:
            names.update((name, None) for name in change.finding.parts if name != part.name)
    return vehicle, list(names)


def _picture(
    own: Part,
    other: Part,
    ghosts: list[Part],
    camera: Camera,
    cut: float | None,
    band: float,
    text: str,
) -> bytes:
    layers = [Layer(own.name, own.triangles, palette.OURS, 1.0, own.closed, own.closed, "")]
    layers += [
        Layer(part.name, part.triangles, palette.GHOST, GHOST, part.closed, part.closed, "")
        for part in ghosts
    ]
    painted = paint(
        layers,
        camera,
        WIDTH * TIMES,
        HEIGHT * TIMES,
        cut=cut,
        tint=MovedTint(other.tree, band, camera),
    )
    sheet = Sheet(WIDTH, HEIGHT)
    sheet.paste(painted.image, 0, 0)
    return _signed(sheet, camera, text, [part.name for part in ghosts], cut, "looked through: ")


def _signed(
    sheet: Sheet,
    camera: Camera,
    text: str,
    names: list[str],
    cut: float | None,
    kind: str = "",
) -> bytes:
    """Words, scale and axes on a picture."""
    sheet.write((14.0, 12.0), text, 18, bold=True, halo=4)
    told = [f"{kind}{', '.join(names)}"] if names else []
    if cut is not None:
        told.append("Cut open through the place; cut faces are hatched.")
    for number, line in enumerate(told):
        sheet.write((14.0, 36.0 + 20.0 * number), line, 13, colour=palette.FAINT_INK, halo=3)
    mark.scale_bar(sheet, camera.scale(HEIGHT), (20.0, HEIGHT - 20.0), 170.0)
    mark.axes(sheet, camera, (WIDTH - 54.0, HEIGHT - 54.0), 32.0)
    return sheet.png()
