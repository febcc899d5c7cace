"""What was found of the tools on one fastener, in a modeller's words."""

from __future__ import annotations

import numpy as np

from geomcheck.fasten.access import Access
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.stack import Reach
from geomcheck.fasten.swing import Swing
from geomcheck.fasten.words import at, at_least, millimetres, place_of
from geomcheck.finding import Verdict

OTHER = "turn the fastener's axis, or declare a slimmer tool as a [[tool]]"


def degrees(value: float) -> str:
    """An angle to one decimal, never ``-0.0``."""
    return f"{value + 0.0:.1f}"


def access_message(
    bolt: str,
    best: Access,
    verdict: Verdict,
    wanted: float,
    done: int,
    tools: int,
    *,
    by_turn: bool,
) -> str:
    """What was found of one fastener, in the light of its best tool.

    ``by_turn``: the free arc decides, not the room.
    """
    if verdict is Verdict.PASS:
        counted = f"{done} of {tools} tools do"
        note = "" if best.tool.bars else f" Note: {best.tool.note}."
        if best.tool.bars and best.turns is None:
            note = " Turning was not asked."
        return _sentence(f"{best.tool.name} stands on {bolt}{_passed(best)}; {counted}") + note
    if verdict is Verdict.UNDECIDED:
        return _sentence(
            f"It cannot be told whether {best.tool.name} serves {bolt}: "
            f"{_doubtful(best, wanted, by_turn)}"
        )
    none = f"No tool of {tools} serves {bolt}." if tools > 1 else f"No tool serves {bolt}."
    return _sentence(
        f"{none} The nearest to it is {best.tool.name}: {_failed(best, wanted, by_turn)}"
    )


def _sentence(text: str) -> str:
    return f"{text}."


def _lean(best: Access) -> str:
    if best.lean is None or best.lean.angle == 0.0:
        return ""
    return f", leaning {degrees(best.lean.angle)} degrees,"


def _passed(best: Access) -> str:
    stands = best.stands
    where = place_of(stands)
    room = millimetres(stands.room)
    way = f" with {room} mm of room to {where}" if where else f" with at least {room} mm of room"
    if not where:
        way += " all round"
    way = f"{_lean(best)}{way}"
    return way if best.turns is None else f"{way}, and {swing_text(best.turns)}"


def swing_text(turns: Swing) -> str:
    """Free arc and what is needed of it."""
    if turns.blocker is None:
        return f"its handle swings all round, {degrees(turns.needed)} degrees needed"
    return f"its handle swings {degrees(turns.free)} degrees, {degrees(turns.needed)} needed"


def _between(turns: Swing) -> str:
    places = [f"{part} at {at(point)}" for part, point in turns.ends]
    return f", stopped by {' and by '.join(dict.fromkeys(places))}" if places else ""


def _doubtful(best: Access, wanted: float, by_turn: bool) -> str:
    stands, turns = best.stands, best.turns
    where = place_of(stands)
    if best.lean is not None and not best.lean.decided:
        return _open_lean(best, by_turn)
    if by_turn and turns is not None:
        return (
            f"{swing_text(turns)}, but the truth lies between {degrees(turns.low)} and "
            f"{degrees(turns.high)} degrees{_between(turns)}"
        )
    return (
        f"{millimetres(stands.room)} mm of room{f' to {where}' if where else ''}, but the truth "
        f"lies between {millimetres(stands.low)} and {millimetres(stands.high)} mm, "
        f"{millimetres(wanted)} mm wanted"
    )


def _open_lean(best: Access, by_turn: bool) -> str:
    """Why a tool that leans is left open."""
    stands, turns, lean = best.stands, best.turns, best.lean
    angle = degrees(lean.angle) if lean is not None else ""
    if by_turn and turns is not None:
        return (
            "it stands leaning, but in no direction that was tried does its handle swing far "
            f"enough. At {angle} degrees {swing_text(turns)}{_between(turns)}"
        )
    where = place_of(stands)
    if lean is not None and lean.stands:
        return (
            "it stands leaning, but in no direction that was tried does it come off. At "
            f"{angle} degrees {where}, leaves {millimetres(stands.low)} mm on its way"
        )
    return (
        "the search over all directions ended before it was proved. At its best, leaning "
        f"{angle} degrees, it has {millimetres(stands.room)} mm of room to {where}"
    )


def _failed(best: Access, wanted: float, by_turn: bool) -> str:
    stands, turns = best.stands, best.turns
    where = place_of(stands)
    if by_turn and turns is not None:
        room = "room" if not where else f"{millimetres(stands.room)} mm of room"
        return f"it stands with {room}, but {swing_text(turns)}{_between(turns)}"
    lean = ""
    if best.lean is not None:
        lean = f", at its best leaning {degrees(best.lean.angle)} degrees"
    if stands.inside:
        return f"it would stand inside the material of {where}{lean}"
    if stands.room < 0.0:
        return f"{where}, stands {millimetres(-stands.room)} mm in its way{lean}"
    return (
        f"{millimetres(stands.room)} mm of room to {where}, {millimetres(wanted)} mm wanted{lean}"
    )


def access_remedy(
    fastener: Fastener,
    carrier: str,
    best: Access,
    verdict: Verdict,
    wanted: float,
    *,
    by_turn: bool,
) -> str:
    """How to make room for the tool that comes nearest; empty for a pass."""
    if verdict is Verdict.PASS:
        return ""
    stands, turns = best.stands, best.turns if by_turn else None
    if verdict is Verdict.UNDECIDED:
        blame = (turns.doubt or turns.blocker) if turns is not None else ""
        blame = blame or stands.doubt or stands.blocker or carrier
        if best.lean is not None and not best.lean.decided:
            return f"Make more room at {blame}, for its handle and its way off; or {OTHER}."
        more = f"{at_least(wanted - stands.low)} mm more room"
        if turns is not None:
            more = f"room for {degrees(turns.needed - turns.low)} degrees more of swing"
        return f"Export {blame} with a finer chord error or declare its sagitta, or make {more}."
    if turns is not None:
        short = degrees(turns.needed - turns.low)
        parts = " or ".join(dict.fromkeys(part for part, _ in turns.ends)) or carrier
        return (
            f"Make room for {short} degrees more of swing: move or relieve {parts} there; or use a "
            f"tool with a shorter handle, declared as a [[tool]]."
        )
    return _stand_remedy(fastener, carrier, best, wanted)


def _stand_remedy(fastener: Fastener, carrier: str, best: Access, wanted: float) -> str:
    stands = best.stands
    if stands.inside or stands.point is None or stands.height is None:
        return f"Check the seat point and the axis of {fastener.name}; else {OTHER}."
    out = best.away(stands.point)
    size = float(np.linalg.norm(out))
    amount = f"by {at_least(wanted - stands.low)} mm or more"
    verb = "Relieve" if stands.blocker == carrier else "Move"
    if size < 1e-6:
        return f"{verb} {stands.blocker} out of the tool's way, {amount}; or {OTHER}."
    way = (float(out[0] / size), float(out[1] / size), float(out[2] / size))
    return f"{verb} {stands.blocker} there {amount} in the direction {at(way)}; or {OTHER}."


def what_stopped(access: Access, verdict: Verdict) -> str:
    """One short phrase for the table of tools."""
    if verdict is Verdict.PASS:
        return ""
    if access.turns is not None and access.turns.low < access.turns.needed:
        return f"turning{_between(access.turns)}"
    if access.stands.blocker is not None:
        return f"standing, by {access.stands.blocker}"
    return "standing"


def hand_message(bolt: str, hand: Reach, verdict: Verdict) -> str:
    """Where a hand has no room to start a thread."""
    where = place_of(hand)
    if verdict is Verdict.UNDECIDED:
        return (
            f"It cannot be told whether a hand has room to start the thread of {bolt}: "
            f"{millimetres(hand.room)} mm to {where}, but the truth lies between "
            f"{millimetres(hand.low)} and {millimetres(hand.high)} mm."
        )
    return f"A hand has no room to start the thread of {bolt} from above: {where}, is in its way."
