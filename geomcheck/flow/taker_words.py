"""What takes area, and how to win it back, in plain words and plain data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geomcheck.finding import Point
from geomcheck.flow.account import numbers, place
from geomcheck.flow.takers import Taker, Takers
from geomcheck.wording import capital

#: Takers named in a sentence; all are in the details.
_NAMED = 4


def taken_in_words(takers: Takers, names: Sequence[str]) -> str:
    """What takes how much and where, to follow a sentence; empty where nothing does."""
    told = [_one(taker, names) for taker in takers.found[:_NAMED]]
    if not told:
        return ""
    more = len(takers.found) - len(told)
    if more:
        told.append(f"{more} more take less")
    return "; " + _listed(told, "and")


def _one(taker: Taker, names: Sequence[str]) -> str:
    share = f"({taker.percent:.1f} %) at {place(taker.point)}"
    if taker.patch is None:
        return f'"{names[taker.surface]}" takes {taker.area.value:.2f} mm2 {share}'
    return (
        f'what is cast into "{names[taker.surface]}" takes about {taker.area.value:.0f} mm2 '
        f"{share}, standing in by up to {taker.patch.height:.2f} mm"
    )


def ways_in_words(takers: Takers, names: Sequence[str]) -> str:
    """How to win the wanted area back; a sentence or two, empty where no way was found."""
    usable = [taker for taker in takers.found if taker.way is not None]
    enough = [_way(taker, names) for taker in usable if taker.enough]
    if enough:
        text = _listed(enough, "or")
        done = "win back all it takes" if takers.wanted is None else (
            f"have {takers.wanted:.2f} mm2 open there"
        )  # fmt: skip
        return f"{capital(text)}, to {done}."
    parts = []
    for taker in usable:
        assert taker.way is not None
        parts.append(f"{_way(taker, names)} ({taker.way.area:.2f} mm2 open then)")
    if not parts:
        return ""
    text = _listed(parts, "and")
    alone = " is" if len(parts) == 1 else ": each alone is"
    return f"{capital(text)}{alone} not enough; {takers.wanted:.2f} mm2 are wanted."


def _way(taker: Taker, names: Sequence[str]) -> str:
    assert taker.way is not None
    far, name = taker.way.distance, names[taker.surface]
    if taker.patch is None:
        return f'move "{name}" {far.value:.2f} mm {toward(taker.way.direction)}'
    return (
        f'cut back what is cast into "{name}" at {place(taker.point)} by about {far.value:.1f} mm '
        f"(between {far.low:.1f} and {far.high:.1f}), evenly"
    )


def toward(direction: Point) -> str:
    """A direction in words: along an axis where it is one within half a degree.

    Examples
    --------
    >>> toward((0.0, -1.0, 0.001)), toward((0.6, 0.8, 0.0))
    ('along -y', 'towards (0.60, 0.80, 0.00)')
    """
    for axis, value in zip("xyz", direction, strict=True):
        if abs(value) >= 0.99996:
            return f"along {'+' if value > 0 else '-'}{axis}"
    return f"towards {place(direction)}"


def _listed(told: Sequence[str], word: str) -> str:
    if len(told) < 2:
        return "".join(told)
    return f"{', '.join(told[:-1])} {word} {told[-1]}"


def details(takers: Takers, names: Sequence[str]) -> dict[str, Any]:
    """JSON types: ``taken``, and ``not_told`` where what is cast in could not be told.

    Each of ``taken``: ``part``, ``cast_in``, ``area_lost``, ``low``, ``high``, ``percent``,
    ``point``; of what is cast in ``stands_in``, ``begin``, ``end``; and ``move`` or ``cut_back``
    with ``distance``, ``low``, ``high``, ``direction``, ``area`` (open then), ``enough``. mm, mm2.
    """
    told: dict[str, Any] = {"taken": [_row(taker, names) for taker in takers.found]}
    if takers.unknown is not None:
        told["not_told"] = takers.unknown.what
    return told


def _row(taker: Taker, names: Sequence[str]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "part": names[taker.surface],
        "cast_in": taker.patch is not None,
        "area_lost": round(taker.area.value, 4),
        "low": round(taker.area.low, 4),
        "high": round(taker.area.high, 4),
        "percent": round(taker.percent, 4),
        "point": numbers(taker.point),
    }
    if taker.patch is not None:
        row["stands_in"] = round(taker.patch.height, 4)
        row["begin"], row["end"] = round(taker.patch.begin, 4), round(taker.patch.end, 4)
    if taker.way is not None:
        row["move" if taker.patch is None else "cut_back"] = {
            "distance": round(taker.way.distance.value, 4),
            "low": round(taker.way.distance.low, 4),
            "high": round(taker.way.distance.high, 4),
            "direction": numbers(taker.way.direction),
            "area": round(taker.way.area, 4),
            "enough": taker.enough,
        }
    return row
