"""The area of a duct along its path, as an SVG drawing."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Finding, Requirement
from geomcheck.reports import palette, words
from geomcheck.reports.still.sheet import font

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE = (9.0, 4.6)
_FONT = 10.0
_LABEL = 9.5
#: Letters of a label; longer names are cut.
_LONGEST = 44
_ROW = 0.085
_SETTINGS: Any = {
    "svg.hashsalt": "geomcheck",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": _FONT,
    "hatch.linewidth": 0.6,
}
_PAPER = {"facecolor": "white", "edgecolor": "none", "alpha": 0.92, "pad": 1.5}


@dataclass(frozen=True)
class _Tag:
    """A label over the curve: where it points, and what it says."""

    s: float
    area: float | None
    text: str
    colour: str


def area_curve(finding: Finding, *, earlier: Mapping[str, Any] | None = None) -> str | None:
    """Draw open area against path length.

    Parameters
    ----------
    finding : Finding
        ``details["curve"]`` holds lists of one length: ``s`` (mm), ``area`` (mm2, null where it
        cannot be measured), and optionally ``bore_area`` (mm2, without obstacles) and ``state``
        (words for each station). ``details["throat"]`` may give ``s`` and ``area`` of the throat
        (else it is the least of the curve), ``details["restrictions"]`` mappings with ``s``,
        ``part`` and ``percent``. A requirement in mm2 is drawn as a line.
    earlier : mapping, optional
        Curve of an earlier revision, drawn beneath.

    Returns
    -------
    str or None
        An SVG document, the same for the same finding; None when there is no curve of two or
        more stations.
    """
    curve = finding.details.get("curve")
    if not isinstance(curve, Mapping) or len(curve.get("s") or ()) < 2:
        return None
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(_SETTINGS):
        figure = Figure(figsize=_SIZE)
        axes = figure.add_axes((0.095, 0.125, 0.885, 0.85))
        _draw(axes, curve, finding, earlier)
        stream = io.StringIO()
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": "geomcheck"})
    return stream.getvalue()


def _draw(
    axes: Axes, curve: Mapping[str, Any], finding: Finding, earlier: Mapping[str, Any] | None
) -> None:
    s = _numbers(curve["s"])
    area = _numbers(curve["area"])
    bore = _numbers(curve.get("bore_area") or [None] * len(s))
    known = np.isfinite(area)
    ink, faint = palette.hex_colour(palette.INK), palette.hex_colour(palette.FAINT_INK)
    blamed, warm = palette.hex_colour(palette.BLAMED), palette.hex_colour(palette.OVERLAP)
    older = np.empty((0, 2))
    if earlier is not None:
        older = np.column_stack([_numbers(earlier["s"]), _numbers(earlier["area"])])
        axes.plot(*older.T, color=ink, linewidth=1.6, linestyle=(0, (1, 1.6)))
    if np.isfinite(bore).any() and earlier is None:
        axes.plot(s, bore, color=faint, linewidth=1.1, linestyle=(0, (4, 3)))
        axes.fill_between(s, area, bore, color=warm, alpha=0.16, linewidth=0)
    axes.plot(s, area, color=blamed, linewidth=2.2, solid_capstyle="round")
    lonely = known & ~np.r_[False, known[:-1]] & ~np.r_[known[1:], False]
    axes.plot(s[lonely], area[lonely], "o", color=blamed, markersize=4)
    tags = []
    for begin, end, text in _gaps(s, known, curve.get("state")):
        axes.axvspan(begin, end, facecolor="none", edgecolor=faint, hatch="///", linewidth=0.0)
        tags.append(_Tag(0.5 * (begin + end), None, text, faint))
    for entry in finding.details.get("restrictions") or ():
        tags.append(_restriction(entry, s, area, warm))
    throat = _throat(finding.details.get("throat"), s, area)
    if throat is not None:
        axes.plot(*throat, "o", color=ink, markersize=8, markeredgecolor="white", zorder=4)
        number = words.format_number(throat[1], words.DECIMALS["mm2"])
        tags.append(_Tag(throat[0], throat[1], f"throat {number} mm²", ink))
    _frame(axes, s, area, np.concatenate([bore, older[:, 1]]), finding)
    _write_tags(axes, sorted(tags, key=lambda tag: tag.s))
    if finding.requirement is not None and finding.requirement.unit == "mm2":
        points = np.concatenate([np.column_stack([s, area]), np.column_stack([s, bore])])
        points = points[np.isfinite(points[:, 1])]
        _write_requirement(axes, finding.requirement, points, tags)


def _throat(
    given: object, s: NDArray[np.float64], area: NDArray[np.float64]
) -> tuple[float, float] | None:
    """Place and area of the throat: as given, else the least of the curve."""
    if isinstance(given, Mapping) and given.get("area") is not None:
        return float(given["s"]), float(given["area"])
    if not np.isfinite(area).any():
        return None
    least = int(np.nanargmin(area))
    return float(s[least]), float(area[least])


def _frame(
    axes: Axes,
    s: NDArray[np.float64],
    area: NDArray[np.float64],
    bore: NDArray[np.float64],
    finding: Finding,
) -> None:
    """Limits, grid, titles, and the requirement's line."""
    faint, violet = palette.hex_colour(palette.FAINT_INK), palette.hex_colour(palette.PATH)
    requirement = finding.requirement
    values = np.concatenate([area, bore])
    values = values[np.isfinite(values)]
    limits = [float(values.min()), float(values.max())] if len(values) else [0.0, 1.0]
    wanted = requirement is not None and requirement.unit == "mm2"
    if requirement is not None and wanted:
        limits = [min(limits[0], requirement.limit), max(limits[1], requirement.limit)]
    room = max(limits[1] - limits[0], 0.02 * abs(limits[1]), 1e-9)
    axes.set_ylim(limits[0] - 0.22 * room, limits[1] + 0.10 * room)
    axes.set_xlim(float(s.min()), float(s.max()))
    axes.set_xlabel("path length from the inlet, mm", color=faint)
    axes.set_ylabel("open area, mm²", color=faint)
    axes.tick_params(colors=faint)
    axes.grid(True, color=palette.hex_colour(palette.BEYOND), linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(faint)
    if requirement is not None and wanted:
        axes.axhline(requirement.limit, color=violet, linewidth=1.4)


def _write_requirement(
    axes: Axes, requirement: Requirement, curve: NDArray[np.float64], tags: Sequence[_Tag]
) -> None:
    """Name the requirement's line at the end and on the side where the least is in the way.

    ``curve`` is (n, 2): path length and area, the bore's included.
    """
    text = "required " + words.format_requirement(requirement)
    box = axes.get_window_extent()
    dots = axes.figure.dpi / 72.0
    wide = font(100).getlength(text) / 100.0 * _FONT * dots / box.width + 0.01
    high = 1.7 * _FONT * dots / box.height
    at = axes.transAxes.inverted().transform(axes.transData.transform(curve))
    leaders = axes.transAxes.inverted().transform(
        axes.transData.transform([(tag.s, tag.area or 0.0) for tag in tags] or [(0.0, 0.0)])
    )
    level = float(
        axes.transAxes.inverted().transform(axes.transData.transform((0.0, requirement.limit)))[1]
    )
    best: tuple[int, int, int] | None = None
    for end in (1, 0):
        for side in (-1, 1):
            left, low = (1.0 - wide if end else 0.0), (level if side > 0 else level - high)
            beside = (at[:, 0] > left) & (at[:, 0] < left + wide)
            inside = beside & (at[:, 1] > low) & (at[:, 1] < low + high)
            crossed = (leaders[:, 0] > left) & (leaders[:, 0] < left + wide)
            crossed &= leaders[:, 1] < low + high
            cost = int(np.count_nonzero(inside)) + 3 * int(np.count_nonzero(crossed))
            cost += 1000 * (low < 0.0)
            if best is None or cost < best[0]:
                best = (cost, end, side)
    _, end, side = best or (0, 1, -1)
    axes.annotate(
        text,
        (float(end), requirement.limit),
        xycoords=("axes fraction", "data"),
        xytext=(-4 if end else 6, 4 * side),
        textcoords="offset points",
        ha="right" if end else "left",
        va="top" if side < 0 else "bottom",
        color=palette.hex_colour(palette.PATH),
        bbox=_PAPER,
        zorder=6,
    )


def _write_tags(axes: Axes, tags: Sequence[_Tag]) -> None:
    """Labels in rows above the curve, each row as full as its words allow."""
    dots = axes.figure.dpi / 72.0
    box = axes.get_window_extent()
    rows: list[float] = []
    placed = []
    for tag in tags:
        wide = (font(100).getlength(tag.text) / 100.0 * _LABEL + 12.0) * dots
        at = float(axes.transData.transform((tag.s, 0.0))[0])
        begin = min(max(at - 0.5 * wide, box.x0), box.x1 - wide)
        row = next((k for k, end in enumerate(rows) if begin >= end), len(rows))
        if row == len(rows):
            rows.append(0.0)
        rows[row] = begin + wide
        placed.append((tag, row, (begin + 0.5 * wide - box.x0) / box.width))
    # Room for the rows is made inside the axes, over the highest value.
    low, high = axes.get_ylim()
    share = min(0.6, _ROW * len(rows) + 0.02)
    axes.set_ylim(low, low + (high - low) / (1.0 - share))
    for tag, row, x in placed:
        y = 1.0 - _ROW * (len(rows) - 1 - row) - 0.5 * _ROW
        foot = 1.0 - share if tag.area is None else tag.area
        axes.annotate(
            "",
            (tag.s, foot),
            xycoords=("data", "axes fraction") if tag.area is None else "data",
            xytext=(x, y),
            textcoords="axes fraction",
            arrowprops={"arrowstyle": "-", "color": tag.colour, "linewidth": 0.9, "shrinkB": 4.0},
            zorder=3,
        )
        # The words stand over all leader lines.
        axes.text(
            x,
            y,
            tag.text,
            transform=axes.transAxes,
            ha="center",
            va="center",
            fontsize=_LABEL,
            color=tag.colour,
            bbox=_PAPER,
            zorder=7,
            parse_math=False,
        )


def _restriction(
    entry: Mapping[str, Any], s: NDArray[np.float64], area: NDArray[np.float64], colour: str
) -> _Tag:
    place = float(entry["s"])
    known = np.isfinite(area)
    value = float(np.interp(place, s[known], area[known])) if known.any() else None
    name = _cut(str(entry.get("part") or "the wall itself"))
    percent = entry.get("percent")
    text = name if percent is None else f"{name} −{words.format_number(float(percent), 1)} %"
    return _Tag(place, value, text, colour)


def _gaps(
    s: NDArray[np.float64], known: NDArray[np.bool_], state: Sequence[Any] | None
) -> list[tuple[float, float, str]]:
    """Stretches without a number, from the last measured station to the next, with the reason."""
    found = []
    k = 0
    while k < len(s):
        if known[k]:
            k += 1
            continue
        first = k
        while k < len(s) and not known[k]:
            k += 1
        begin = s[first - 1] if first > 0 else s[0]
        end = s[k] if k < len(s) else s[-1]
        reasons = {str(word) for word in (state or [])[first:k] if word}
        why = f": {', '.join(sorted(reasons))}" if reasons else ""
        found.append((float(begin), float(end), _cut("not measurable" + why)))
    return found


def _numbers(values: Sequence[Any]) -> NDArray[np.float64]:
    """(n,) float with NaN for null."""
    return np.array([np.nan if v is None else float(v) for v in values], dtype=np.float64)


def _cut(text: str) -> str:
    """Keep one line of at most ``_LONGEST`` letters."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= _LONGEST else clean[: _LONGEST - 1].rstrip() + "…"
