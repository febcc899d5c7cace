"""Passes summed up, one row a check, with the one nearest to its limit."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from geomcheck.finding import Verdict
from geomcheck.reports.cards import Card, margin


@dataclass(frozen=True)
class Sum:
    """The passes of one check.

    Parameters
    ----------
    code : str
    cards : tuple of Card
        All of them, in the order of the result.
    nearest : Card or None
        The one that keeps its limit by the least share; None where none has numbers.
    """

    code: str
    cards: tuple[Card, ...]
    nearest: Card | None


def sums(cards: Iterable[Card]) -> list[Sum]:
    """Sum up what passed, check by check."""
    groups: dict[str, list[Card]] = {}
    for card in cards:
        if card.finding.verdict is Verdict.PASS:
            groups.setdefault(card.finding.code, []).append(card)
    return [Sum(code, tuple(mine), _nearest(mine)) for code, mine in sorted(groups.items())]


def _nearest(cards: list[Card]) -> Card | None:
    found = [(margin(card.finding), card) for card in cards]
    room = min((room for room, _ in found if room is not None), default=math.inf)
    return next((card for own, card in found if own == room), None)
