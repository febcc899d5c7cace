"""Every colour of legend, pictures, curves and page, from one place.

Gap is shown on cividis (Nunez, Anderton and Renslow 2018, made for colour-vision deficiency) from
0 to 30 mm, overlap in one warm orange, anything farther in pale grey. The tests hold all colours
that can stand beside each other at least 20 apart (CIE 1976 colour difference) for normal sight
and for the three dichromacies as simulated by Machado, Oliveira and Fernandes (2009). Colour
never stands alone: parts carry labels, verdicts a symbol and a word.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Verdict

Colour: TypeAlias = tuple[int, int, int]

OVERLAP: Colour = (217, 72, 15)
BEYOND: Colour = (226, 230, 238)
#: Gap at which the scale ends, mm.
GAP_END = 30.0

#: The housing and what goes with it; the part to blame; a tool; everything else.
OURS: Colour = BEYOND
BLAMED: Colour = (38, 132, 214)
TOOL: Colour = (242, 183, 5)
GHOST: Colour = (148, 158, 172)

INK: Colour = (24, 33, 48)
FAINT_INK: Colour = (88, 98, 114)
PAPER: Colour = (255, 255, 255)
#: A flow path; beside no gap scale.
PATH: Colour = (118, 62, 158)
HATCH: Colour = (70, 82, 102)

VERDICTS: dict[Verdict, Colour] = {
    Verdict.PASS: (20, 92, 96),
    Verdict.FAIL: (166, 48, 4),
    Verdict.UNDECIDED: (92, 66, 150),
    Verdict.WAIVED: (80, 88, 100),
    Verdict.ERROR: (24, 33, 48),
    Verdict.NOT_APPLICABLE: (104, 112, 124),
}


def hex_colour(colour: Colour) -> str:
    """``#rrggbb``."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


#: Cividis at every sixteenth of its length, from matplotlib 3.11's table.
_STOPS: tuple[Colour, ...] = (
    (0, 34, 78),
    (0, 46, 106),
    (26, 56, 111),
    (50, 67, 109),
    (67, 78, 108),
    (83, 90, 109),
    (97, 101, 111),
    (111, 112, 115),
    (125, 124, 120),
    (140, 136, 120),
    (155, 148, 118),
    (171, 160, 114),
    (188, 174, 108),
    (205, 187, 99),
    (222, 201, 88),
    (240, 216, 70),
    (254, 232, 56),
)


def _table() -> NDArray[np.uint8]:
    """(256, 3) the gap scale with straight lines between the stops."""
    at = np.linspace(0.0, 1.0, len(_STOPS))
    wanted = np.linspace(0.0, 1.0, 256)
    stops = np.array(_STOPS, dtype=np.float64)
    channels = [np.interp(wanted, at, stops[:, k]) for k in range(3)]
    return np.rint(np.stack(channels, axis=1)).astype(np.uint8)


#: (256, 3) the gap scale: 0 mm first, ``GAP_END`` last.
GAP_SCALE: NDArray[np.uint8] = _table()
GAP_SCALE.setflags(write=False)


def gap_colours(gap: NDArray[np.float64]) -> NDArray[np.uint8]:
    """(n, 3) colours of (n,) gaps in mm: orange below 0, grey beyond the scale or where NaN."""
    inside = np.where(np.abs(gap) <= GAP_END, gap, 0.0)
    index = np.clip(inside / GAP_END * 255.0, 0.0, 255.0)
    colours = GAP_SCALE[index.astype(np.intp)]
    colours[gap < 0.0] = OVERLAP
    colours[~(gap <= GAP_END)] = BEYOND
    return colours
