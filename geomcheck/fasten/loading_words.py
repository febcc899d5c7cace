"""A fastener's ways in and out, in a modeller's words."""

from __future__ import annotations

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.loading import Loading
from geomcheck.fasten.room import Room
from geomcheck.fasten.withdraw import Withdrawal, washer_radius
from geomcheck.fasten.words import at, at_least, at_most, millimetres
from geomcheck.finding import Verdict
from geomcheck.wording import capital

BENCH = "On the bench, with only the housing and what it carries,"


def travel_message(fastener: Fastener, bolt: str, result: Withdrawal, verdict: Verdict) -> str:
    """What was found of one way of a fastener."""
    wanted = f"{millimetres(result.needed)} mm wanted"
    where = _where(result)
    if result.travel < 0.0:
        if result.stops == "washer":
            width = f"{2.0 * washer_radius(fastener):g}"
            return (
                f"The washer of {bolt} has no room on its seat: within its diameter of {width} mm "
                f"stands {where}."
            )
        return (
            f"The head of {bolt} has no room on its seat: within its diameter of "
            f"{fastener.screw.head_diameter:g} mm stands {where}."
        )
    way = f"{millimetres(result.travel)} mm of free travel to {where}"
    if verdict is Verdict.UNDECIDED:
        return (
            f"It cannot be told whether {bolt} can be drawn: {way}, but the truth lies between "
            f"{millimetres(result.low)} and {millimetres(result.high)} mm, {wanted}."
        )
    if result.clear:
        return f"{bolt} can be drawn: nothing stands in its way; {way}, {wanted}."
    can = "can" if verdict is Verdict.PASS else "cannot"
    return f"{bolt} {can} be drawn: {way}, {wanted}."


def travel_remedy(
    fastener: Fastener, carrier: str, result: Withdrawal, verdict: Verdict, *, first: bool
) -> str:
    """How to make way for a fastener; ``first``: it may be loaded first."""
    if verdict is Verdict.PASS:
        return ""
    blocker = result.blocker or result.doubt
    short = at_least(result.needed - result.low)
    if verdict is Verdict.UNDECIDED:
        return (
            f"Export {result.doubt or blocker} with a finer chord error or declare its sagitta, or "
            f"make {short} mm more travel."
        )
    if result.travel < 0.0:
        verb = "Relieve" if blocker == carrier else "Move"
        return f"{verb} {blocker} round the seat, or correct the seat point and the axis."
    longest = result.low - (result.needed - fastener.length)
    # A screw of less than half a head's width of length holds nothing: no advice.
    some = longest > fastener.head_radius
    shorter = f"use a screw no longer than {at_most(longest)} mm, " if some else ""
    load = ""
    if first:
        load = 'put it in before the housing goes on and say so with load = "first", or '
    verb = "relieve" if blocker == carrier else "move"
    text = f"{shorter}{load}"
    if not load and shorter:
        text = f"{shorter[:-2]} or "
    text += f"{verb} {blocker} along the axis of {fastener.name}, by {short} mm or more."
    return capital(text)


def bench_note(result: Loading) -> str:
    """What the bench adds to a fastener that cannot be drawn in place."""
    goes = result.goes_on_bench
    if goes == "no":
        if result.on_bench.high >= result.on_bench.needed:
            return " Nor does it go in on the bench."
        travel = millimetres(result.on_bench.travel)
        return f" Nor on the bench: {travel} mm to {_where(result.on_bench)}."
    if goes == "undecided":
        return " Whether it goes in on the bench cannot be told either."
    raised = result.raised
    text = f" {BENCH} it goes in"
    if result.stays_clear == "no":
        if raised.part is None:
            return f"{text}, but it has no room where it sits with the housing down."
        return (
            f"{text}, but then its tip stands on {raised.part}, raised by "
            f"{millimetres(raised.lift)} mm, {millimetres(-raised.room)} mm more than there is "
            "room for."
        )
    text += ": it must be loaded first."
    if raised.part is None:
        return text
    return f"{text} It goes down raised by {millimetres(raised.lift)} mm, its tip on {raised.part}."


def first_message(bolt: str, result: Loading, verdict: Verdict) -> str:
    """What was found of a bolt that is declared to be loaded first and goes in on the bench."""
    raised = result.raised
    travel = result.on_bench
    way = f"{millimetres(travel.travel)} mm of free travel"
    if travel.clear:
        way = "nothing stands in its way"
    head = f"{bolt} goes in on the bench: {way}, {millimetres(travel.needed)} mm wanted."
    if raised.part is not None and raised.point is not None:
        stand = (
            f"its tip meets {raised.part} at {at(raised.point)}, so it stands raised by "
            f"{millimetres(raised.lift)} mm until it is screwed in"
        )
    else:
        stand = "its tip meets nothing of the vehicle"
    free = f"{millimetres(result.in_place.travel)} mm are free over it"
    where = f" to {_where(result.in_place)}"
    if verdict is Verdict.PASS:
        text = f"{head} With the housing down, {stand}; {free}{where}."
        if result.goes_in_place == "yes":
            text += ' It also goes in in place: load = "first" is needless.'
        return text
    if verdict is Verdict.FAIL:
        return f"{head} But it keeps the housing from going down: {stand}, and only {free}{where}."
    return (
        f"{head} It cannot be told whether it lets the housing down: {stand}, and {free}{where}, "
        f"but the truth of what is left lies between {millimetres(raised.room_low)} and "
        f"{millimetres(raised.room_high)} mm."
    )


def first_remedy(fastener: Fastener, result: Loading, verdict: Verdict) -> str:
    """What to do about a bolt that, loaded first, may not let the housing down."""
    if verdict is Verdict.PASS:
        return ""
    blocker = result.in_place.blocker or result.in_place.doubt
    short = at_least(-result.raised.room_low)
    if verdict is Verdict.UNDECIDED:
        return (
            f"Export {result.in_place.doubt or blocker} with a finer chord error or declare its "
            f"sagitta, or make {short} mm more travel."
        )
    return (
        f"Use a screw shorter by {short} mm or more, or a stud; or move {blocker} along the axis "
        f"of {fastener.name} by as much."
    )


def shank_message(fastener: Fastener, bolt: str, room: Room, verdict: Verdict) -> str:
    """What is wrong with the shank's way."""
    size = f"{fastener.screw.thread_diameter:g}"
    where = "" if room.point is None else f" at {at(room.point)}"
    if verdict is Verdict.UNDECIDED:
        return (
            f"It cannot be told whether the shank of {bolt} passes {room.blocker or room.doubt}"
            f"{where}: its room lies between {millimetres(room.low)} and {millimetres(room.high)}"
            " mm."
        )
    if room.inside or room.room <= -0.999 * fastener.screw.thread_diameter / 2.0:
        return f"There is no hole for the shank of {bolt} in {room.blocker}{where}."
    return (
        f"The shank of {bolt} ({size} mm) does not pass {room.blocker}: the metal{where} stands "
        f"{millimetres(-room.room)} mm in its way."
    )


def shank_remedy(room: Room, verdict: Verdict) -> str:
    """What to do about the shank's way."""
    part = room.blocker or room.doubt
    if verdict is Verdict.UNDECIDED:
        return f"Export {part} with a finer chord error, or declare its sagitta."
    return (
        f"Open the hole in {part}, or model it; where {part} carries the thread, say so with "
        f'into = "{part}".'
    )


def _where(result: Withdrawal) -> str:
    if result.blocker is not None and result.point is not None:
        return f"{result.blocker} at {at(result.point)}"
    return "the edge of the parts looked at"
