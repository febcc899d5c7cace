"""A sheet to draw on: shapes enlarged and then reduced, so that they are smooth; text sharp."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from geomcheck.reports import palette
from geomcheck.reports.palette import Colour
from geomcheck.reports.still.tone import Image as Pixels

Spot: TypeAlias = tuple[float, float]

#: Enlargement at which shapes are drawn.
TIMES = 2
#: Colours of a finished picture.
_TABLE = 256


@lru_cache(maxsize=16)
def font(size: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Load DejaVu Sans, which comes with matplotlib, so that no system font is needed."""
    import matplotlib

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    # The basic layout engine: the other one depends on a system library.
    return ImageFont.truetype(str(folder / name), size, layout_engine=ImageFont.Layout.BASIC)


def shorten(text: str, width: float, size: int, *, bold: bool = False) -> str:
    """Cut text with an ellipsis to at most ``width`` pixels; control characters become spaces."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    face = font(size, bold=bold)
    if face.getlength(clean) <= width:
        return clean
    while clean and face.getlength(clean + "…") > width:
        clean = clean[:-1]
    return clean.rstrip() + "…"


class Sheet:
    """A picture under construction; all coordinates are pixels of the finished picture.

    Parameters
    ----------
    width, height : int
    """

    def __init__(self, width: int, height: int) -> None:
        self.width = width
        self.height = height
        self._image = Image.new("RGB", (width * TIMES, height * TIMES), palette.PAPER)
        self._pen = ImageDraw.Draw(self._image)
        self._texts: list[tuple[Spot, str, int, bool, str, Colour, int]] = []

    def paste(self, pixels: Pixels, left: int, top: int) -> None:
        """Lay down (h, w, 3) pixels, already enlarged by ``TIMES``."""
        self._image.paste(Image.fromarray(pixels), (left * TIMES, top * TIMES))

    def line(
        self, spots: Sequence[Spot], colour: Colour, width: float, *, halo: float = 0.0
    ) -> None:
        """Draw a line through the spots; ``halo`` adds a rim of paper on both sides."""
        points = [(x * TIMES, y * TIMES) for x, y in spots]
        if halo > 0.0:
            self._pen.line(
                points, palette.PAPER, round((width + 2.0 * halo) * TIMES), joint="curve"
            )
        self._pen.line(points, colour, max(1, round(width * TIMES)), joint="curve")

    def disc(self, spot: Spot, radius: float, colour: Colour) -> None:
        """Fill a circle."""
        x, y, r = spot[0] * TIMES, spot[1] * TIMES, radius * TIMES
        self._pen.ellipse((x - r, y - r, x + r, y + r), fill=colour)

    def ring(self, spot: Spot, radius: float, colour: Colour, width: float) -> None:
        """Draw a circle's line, ``width`` wide towards its inside."""
        x, y, r = spot[0] * TIMES, spot[1] * TIMES, radius * TIMES
        box = (x - r, y - r, x + r, y + r)
        self._pen.ellipse(box, outline=colour, width=round(width * TIMES))

    def area(self, spots: Sequence[Spot], colour: Colour, opacity: float = 1.0) -> None:
        """Fill a polygon."""
        points = [(x * TIMES, y * TIMES) for x, y in spots]
        if opacity >= 1.0:
            self._pen.polygon(points, fill=colour)
            return
        mask = Image.new("L", self._image.size, 0)
        ImageDraw.Draw(mask).polygon(points, fill=round(255 * opacity))
        self._image.paste(colour, (0, 0, *self._image.size), mask)

    def arrow(self, tip: Spot, towards: Spot, colour: Colour, length: float) -> None:
        """Fill an arrow head at ``tip`` that points along the vector ``towards``."""
        size = math.hypot(*towards)
        if size < 1e-9:
            return
        ux, uy = towards[0] / size, towards[1] / size
        x, y = tip[0] - ux * length, tip[1] - uy * length
        wide = 0.42 * length
        self.area([tip, (x - uy * wide, y + ux * wide), (x + uy * wide, y - ux * wide)], colour)

    def write(
        self,
        spot: Spot,
        text: str,
        size: int,
        *,
        bold: bool = False,
        anchor: str = "la",
        colour: Colour = palette.INK,
        halo: int = 0,
    ) -> None:
        """Write one line of text; ``anchor`` as in pillow."""
        self._texts.append((spot, text, size, bold, anchor, colour, halo))

    def png(self) -> bytes:
        """Finish the picture."""
        small = self._image.reduce(TIMES)
        pen = ImageDraw.Draw(small)
        for spot, text, size, bold, anchor, colour, halo in self._texts:
            pen.text(
                spot,
                text,
                font=font(size, bold=bold),
                fill=colour,
                anchor=anchor,
                stroke_width=halo,
                stroke_fill=palette.PAPER if halo else None,
            )
        stream = io.BytesIO()
        _with_table(np.asarray(small)).save(stream, "PNG", compress_level=9)
        return stream.getvalue()


def _with_table(pixels: Pixels) -> Image.Image:
    """(h, w, 3) pixels as a picture with a table of at most 256 colours.

    Half the colours of the table are the most frequent ones, the others those that are farthest
    from all before: a colour that stands in few pixels, such as that of an overlap, keeps its
    place, and no grey takes a tint that means something. Colours are told apart by six bits each,
    which cannot be seen.
    """
    six = pixels.astype(np.uint32) >> 2
    packed = (six[..., 0] << 12) | (six[..., 1] << 6) | six[..., 2]
    times = np.bincount(packed.ravel(), minlength=1 << 18)
    used = np.flatnonzero(times)
    # Stable: of equally frequent colours the darker stays before.
    used = used[np.argsort(-times[used], kind="stable")]
    colours = np.stack([used >> 12, (used >> 6) & 63, used & 63], axis=1)
    colours = (colours << 2) | (colours >> 4)
    table, row = _chosen(colours)
    rows = np.zeros(1 << 18, dtype=np.uint8)
    rows[used] = row
    picture = Image.fromarray(rows[packed])
    picture.putpalette(table.astype(np.uint8).tobytes())
    return picture


def _chosen(colours: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Table of at most 256 of (n, 3) colours, the most frequent first, and the row for each."""
    if len(colours) <= _TABLE:
        return colours, np.arange(len(colours))
    chosen = list(range(_TABLE // 2))
    distance = np.full(len(colours), np.iinfo(np.int64).max)
    row = np.zeros(len(colours), dtype=np.intp)
    for n in range(_TABLE):
        if n >= len(chosen):
            chosen.append(int(np.argmax(distance)))
        away = ((colours - colours[chosen[n]]) ** 2).sum(axis=1)
        nearer = away < distance
        distance[nearer], row[nearer] = away[nearer], n
    return colours[chosen], row


def pixels(png: bytes) -> Pixels:
    """(h, w, 3) pixels of a PNG."""
    with Image.open(io.BytesIO(png)) as image:
        return np.array(image.convert("RGB"))
