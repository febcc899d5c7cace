"""Colours must stay apart for every reader.

Outside source: colour matrices of Machado, Oliveira and Fernandes (2009), "A Physiologically-based
Model for Simulation of Color Vision Deficiency", severity 1.0, for linear sRGB (the figures agree
between several public implementations); sRGB and CIE 1976 Lab from their standards, from memory.
"""

import itertools

import matplotlib
import numpy as np
import pytest

from geomcheck.reports import palette

SIGHT = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)


def linear(colour):
    c = np.asarray(colour, dtype=float) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(colour, sight):
    seen = np.clip(linear(colour) @ SIGHT[sight].T, 0.0, 1.0)
    xyz = seen @ TO_XYZ.T / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )


def luminance(colour):
    return float(linear(colour) @ TO_XYZ[1])


def contrast(a, b):
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_white_is_white():
    assert lab((255, 255, 255), "normal") == pytest.approx([100, 0, 0], abs=0.02)


def test_the_scale_is_cividis():
    theirs = matplotlib.colormaps["cividis"](np.linspace(0, 1, 256))[:, :3] * 255
    away = np.linalg.norm(lab(theirs, "normal") - lab(palette.GAP_SCALE, "normal"), axis=1)
    assert away.max() < 6


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("name", ["OVERLAP", "BEYOND", "BLAMED"])
def test_colours_beside_the_gap_scale_stay_apart(sight, name):
    other = lab(getattr(palette, name), sight)
    scale = lab(palette.GAP_SCALE, sight)
    assert np.linalg.norm(scale - other, axis=1).min() >= 20.0


@pytest.mark.parametrize("sight", SIGHT)
def test_colours_of_parts_stay_apart(sight):
    names = ["OVERLAP", "OURS", "BLAMED", "TOOL", "INK"]
    for a, b in itertools.combinations(names, 2):
        away = np.linalg.norm(lab(getattr(palette, a), sight) - lab(getattr(palette, b), sight))
        assert away >= 20.0, (a, b)


def test_words_on_paper_can_be_read():
    """4.5 to 1 is the least contrast of WCAG 2 level AA for small text (from memory)."""
    for colour in (*palette.VERDICTS.values(), palette.INK, palette.FAINT_INK):
        assert contrast(colour, palette.PAPER) >= 4.5


def test_gap_colours_at_the_ends():
    colours = palette.gap_colours(np.array([-0.1, 0.0, 30.0, 30.1, np.nan]))
    assert tuple(colours[0]) == palette.OVERLAP
    assert tuple(colours[1]) == tuple(palette.GAP_SCALE[0])
    assert tuple(colours[2]) == tuple(palette.GAP_SCALE[255])
    assert tuple(colours[3]) == palette.BEYOND
    assert tuple(colours[4]) == palette.BEYOND
