"""The verdict on one tool, and the tool that the answer on a fastener rests on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple, TypeAlias

from geomcheck.fasten.access import Access
from geomcheck.fasten.words import facet_terms
from geomcheck.finding import Quantity, Requirement, Term, Verdict

#: Where the sagitta of a part comes from, by its name.
Sources: TypeAlias = Callable[[str], str]

_WORST_FIRST = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS)


class Judged(NamedTuple):
    """A tool with its verdict, and the quantity and requirement that decide it."""

    access: Access
    verdict: Verdict
    quantity: Quantity
    requirement: Requirement

    @property
    def by_turn(self) -> bool:
        """The free arc decides, not the room."""
        return self.quantity.unit == "deg"


def judge(one: Access, room: Requirement, sources: Sources) -> Judged:
    """The verdict on one tool: the worse of standing and turning, and what decides it.

    Parameters
    ----------
    one : Access
    room : Requirement
        mm of room round the tool.
    sources : callable
        Where a part's sagitta comes from.
    """
    stands = _room(one, sources)
    found = Judged(one, room.decide(stands), stands, room)
    turns = one.turns
    if turns is None:
        return found
    terms = facet_terms(
        turns.free, turns.low, turns.high, turns.doubt, sources(turns.doubt) if turns.doubt else ""
    )
    arc = Quantity("free arc", turns.free, "deg", turns.low, turns.high, terms)
    needed = Requirement("at least", turns.needed, "deg", f'turn of the tool "{one.tool.name}"')
    verdict = needed.decide(arc)
    if _WORST_FIRST.index(verdict) < _WORST_FIRST.index(found.verdict):
        return Judged(one, verdict, arc, needed)
    return found


def _room(one: Access, sources: Sources) -> Quantity:
    stands = one.stands
    low, value, high = stands.low, stands.room, stands.high
    terms: tuple[Term, ...] = ()
    if one.lean is not None:
        if low < value or value < high:
            text = "facets, poses on the way off, directions not tried"
            terms = (Term("search", value - low, high - value, text),)
    else:
        name = stands.doubt or stands.blocker or ""
        terms = facet_terms(value, low, high, name, sources(name) if name else "")
    return Quantity("room", value, "mm", low, high, terms)


def best_of(found: Sequence[Judged]) -> Judged:
    """The tool the answer rests on, the first of equals, which is the simplest.

    Of those with the best verdict: rigid before leaning, with a handle that was looked at before
    without one, then the most room. Of tools that fail, those that stand and only cannot turn far
    enough come first.
    """
    verdict = max((one.verdict for one in found), key=_WORST_FIRST.index)

    def rank(one: Judged) -> tuple[bool, bool, float]:
        stands, turns = one.access.stands, one.access.turns
        rigid = one.access.lean is None
        if verdict is Verdict.FAIL:
            share = turns.free / turns.needed if turns is not None else stands.room
            return (turns is not None, rigid, share)
        return (rigid, bool(one.access.tool.bars), stands.low)

    return max((one for one in found if one.verdict is verdict), key=rank)
