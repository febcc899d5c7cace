"""What a housing takes away from the vehicle, in a modeller's words."""

from __future__ import annotations

from collections.abc import Sequence

from geomcheck.fasten.access import Access, Swing
from geomcheck.fasten.access_words import degrees
from geomcheck.fasten.connector_words import outward
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.reach import Reach
from geomcheck.fasten.room import Room
from geomcheck.fasten.service import Served, State, stand_of
from geomcheck.fasten.words import at, at_least, millimetres

#: What to mind at service points of these kinds, found in the entry's words.
OWN_KIND = {
    "fuel": "Relieve the fuel system's pressure before work; local codes and the maker's figures "
    "come first.",
    "plug": "Engine cold and ignition off before work; the maker's figures come first.",
    "coolant": "Open only when cold; the maker's figures come first.",
    "oil": "Hot oil burns: let it cool; the maker's figures come first.",
    "sensor": "Switch the power off before it is pulled; the maker's figures come first.",
    "battery": "Take the earth lead off first; the maker's figures come first.",
}


def short_turn(found: Access | Room, room: float) -> Swing | None:
    """The swing of a tool that stands but does not turn far enough; else None."""
    if not isinstance(found, Access) or found.turns is None or found.stands.low < room:
        return None
    return found.turns if found.turns.low < found.turns.needed else None


def service_message(
    label: str, served: Sequence[Served], best: Served, state: State, room: float
) -> str:
    """What became of a service point."""
    if state == "kept":
        gone = [one.name for one in served if one.state == "lost"]
        text = f"{label} is still reached by {best.name}: {_free(best.after)}{_taken(best)}."
        if gone:
            listed = ", ".join(gone[:3]) + (f" and {len(gone) - 3} more" if len(gone) > 3 else "")
            verb = "does" if len(gone) == 1 else "do"
            text += f" Of what reached it before, {listed} no longer {verb}."
        return text
    if state == "never":
        before = stand_of(best.before)
        return (
            f"{label} is not reached by {best.name} even without the housing"
            f"{_where(before, ': ')}: nothing is taken away."
        )
    if state == "lost":
        return (
            f"{label} was reached by {best.name}, {_free(best.before)}. Now {_stopped(best, room)}."
        )
    turn = short_turn(best.after, room)
    after = stand_of(best.after)
    if turn is not None:
        between = f"between {degrees(turn.low)} and {degrees(turn.high)} degrees"
        return (
            f"It cannot be told whether {best.name} still turns on {label}: its free arc is "
            f"{between}, {degrees(turn.needed)} needed."
        )
    if best.was != "yes":
        before = stand_of(best.before)
        return (
            f"It cannot be told whether {best.name} reached {label} before: its room lies between "
            f"{millimetres(before.low)} and {millimetres(before.high)} mm without the housing, "
            f"{millimetres(after.room)} mm now."
        )
    return (
        f"It cannot be told whether {best.name} still reaches {label}: {millimetres(after.room)} "
        f"mm of room{_where(after, ' to ')}, but the truth lies between {millimetres(after.low)} "
        f"and {millimetres(after.high)} mm, {millimetres(room)} mm wanted."
    )


def service_remedy(
    frame: FloatArray, ours: Sequence[str], best: Served, state: State, room: float
) -> str:
    """What to do for a service point that is lost, or may be."""
    if state in ("kept", "never"):
        return ""
    after = stand_of(best.after)
    turn = short_turn(best.after, room)
    blame = turn.doubt if turn is not None else after.doubt
    short = at_least(room - after.low)
    if state == "undecided":
        blame = blame or (turn.blocker if turn is not None else None) or after.blocker or "the part"
        return (
            f"Export {blame} with a finer chord error or declare its sagitta, or make more room "
            "there."
        )
    if turn is not None:
        parts = " or ".join(dict.fromkeys(part for part, _ in turn.ends)) or "the part"
        return (
            f"Relieve {parts} for {degrees(turn.needed - turn.low)} degrees more of swing; or "
            "declare a tool with a shorter handle as a [[tool]]."
        )
    if after.inside or after.point is None:
        return f"Keep {after.blocker} clear of it, or tell in the manual what comes off first."
    verb = "Relieve" if after.blocker in ours else "Move"
    way = outward(frame, after.point)
    side = "" if way is None else f" in the direction {at(way)}"
    return (
        f"{verb} {after.blocker} there by {short} mm or more{side}; or tell in the manual what "
        "comes off first."
    )


def caution_of(kind: str) -> str:
    """What to mind at a service point of this kind."""
    found = [text for word, text in OWN_KIND.items() if word in kind.lower()]
    return " ".join(found)


def _free(found: Access | Room) -> str:
    stand = stand_of(found)
    room = f"{millimetres(stand.room)} mm of room{_where(stand, ' to ')}"
    if stand.clear:
        room = f"at least {millimetres(stand.room)} mm of room all round"
    if isinstance(found, Access) and found.turns is not None:
        room += f", swing of {degrees(found.turns.free)} degrees"
    return room


def _taken(best: Served) -> str:
    if best.taken <= 0.005:
        return ""
    least = "at least " if stand_of(best.before).clear else ""
    return f", {least}{millimetres(best.taken)} mm less than without the housing"


def _stopped(best: Served, room: float) -> str:
    after = stand_of(best.after)
    turn = short_turn(best.after, room)
    if turn is not None:
        ends = " and by ".join(dict.fromkeys(f"{part} at {at(point)}" for part, point in turn.ends))
        return (
            f"its handle swings {degrees(turn.free)} degrees, {degrees(turn.needed)} needed"
            f"{f', stopped by {ends}' if ends else ''}"
        )
    if after.inside:
        return f"it would stand inside the material of {after.blocker}"
    least = "at least " if stand_of(best.before).clear else ""
    lost = f"{least}{millimetres(best.taken)} mm lost"
    if after.room < 0.0:
        return f"{_where(after, '')} stands {millimetres(-after.room)} mm in its way, {lost}"
    return (
        f"{millimetres(after.room)} mm of room{_where(after, ' to ')}, {millimetres(room)} mm "
        f"wanted, {lost}"
    )


def _where(stand: Reach | Room, before: str) -> str:
    if stand.blocker is None:
        return ""
    place = "" if stand.point is None else f" at {at(stand.point)}"
    return f"{before}{stand.blocker}{place}"
