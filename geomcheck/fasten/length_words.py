"""What was found of a bolt's length, in a modeller's words."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geomcheck.fasten.bore import Bore
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.grip import Grip
from geomcheck.fasten.length import Figure, Lengths, Wanted
from geomcheck.fasten.words import at, at_least, millimetres
from geomcheck.finding import Verdict
from geomcheck.standards.lengths import pitch

#: Air in a joint up to this is the unevenness of faces as drawn, mm; it is counted, not told.
SLIGHT = 0.02
#: A hole less than this share of a pitch under the nominal diameter is no tap drill: M8 with 6H has
#: 6.912 mm at most (from memory), 0.87 of its pitch under it.
PLAIN = 0.75

#: What each figure is called.
FIGURES = {
    "engagement": "engaged thread",
    "margin": "end of bolt to end of thread",
    "tip": "end of bolt to metal",
    "protrusion": "bolt beyond its nut",
    "shank": "thread before the hole",
}

#: What to mind where a bolt's end points at a part of these classes.
TIP_CLASS = {
    "moving part": "The end of this bolt points at a moving part: measured as that part stands. "
    "Turn it by hand through its whole movement with the bolt tight before it runs; the maker's "
    "figures come first.",
    "fuel line": "The end of this bolt points at a fuel line: local codes and the maker's figures "
    "come first.",
    "hot part": "The end of this bolt points at a hot part, which grows with heat: local codes and "
    "the maker's figures come first.",
}


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong or open: verdict, what, what to do (empty: another length)."""

    verdict: Verdict
    what: str
    remedy: str = ""
    figure: Figure | None = None


def grip_text(grip: Grip) -> str:
    """``13.50 mm clamped (12.00 housing, 1.50 gasket "inlet")``."""
    clamped = grip.stack.layers if grip.into is None else grip.stack.layers[:-1]
    rows = []
    for number, layer in enumerate(clamped):
        rows.append(f"{millimetres(layer.bottom - max(layer.top, 0.0))} {layer.part}")
        if number < len(grip.joints):
            held = grip.joints[number]
            if held.gasket is not None and held.gasket.thickness > 0.0:
                rows.append(f'{millimetres(held.gasket.thickness)} gasket "{held.gasket.name}"')
            if held.air > SLIGHT:
                rows.append(f"{millimetres(held.air)} of air that nothing fills")
    return f"{millimetres(grip.thickness)} mm clamped ({', '.join(rows)})"


def air_text(grip: Grip) -> str:
    """Sentences on joints that are not as they will be once the bolt is tight."""
    rows = []
    for held in grip.joints:
        pair = f"{held.joint.upper} and {held.joint.lower}"
        if held.air > SLIGHT:
            rows.append(
                f"Between {pair} is {millimetres(held.air)} mm of air: as it closes, the bolt goes "
                "as much deeper."
            )
        elif held.air < -SLIGHT:
            gasket = held.gasket
            cause = "they overlap" if gasket is None or gasket.thickness == 0.0 else "too near"
            rows.append(
                f"{pair} are placed {millimetres(-held.air)} mm nearer to each other than the "
                f"joint allows ({cause}): the bolt may go as much less deep."
            )
    return " ".join(rows)


def order_problem(grip: Grip, carrier: str) -> Problem | None:
    """Metal of another part right under the head."""
    first = grip.stack.parts[0]
    if first == carrier:
        return None
    return Problem(
        Verdict.UNDECIDED,
        f"Right under its head lies {first}, not {carrier}.",
        "Name the part its head sits on, or see where the two overlap.",
    )


def bore_problem(fastener: Fastener, grip: Grip, *, named: bool) -> Problem | None:
    """What is wrong with the hole in the part that is to carry the thread."""
    bore, into = grip.bore, grip.into
    if bore is None:
        return None
    size, d = fastener.screw.size, fastener.screw.thread_diameter
    if bore.kind == "thread":
        if named or bore.diameter <= d - PLAIN * pitch(fastener.screw).pitch:
            return None
        return Problem(
            Verdict.UNDECIDED,
            f"The hole under it in {into} is {millimetres(bore.diameter)} mm wide: {size} drawn at "
            "full size, or a plain hole it fits closely.",
            f'If the thread is there, say into = "{into}"; else name the part that has it.',
        )
    other = "name the part with the thread as into, or give its nut"
    if bore.kind == "none":
        depth = "" if bore.floor is None else f", {millimetres(bore.floor)} mm below the seat"
        return Problem(
            Verdict.FAIL,
            f"There is no hole under it in {into}: metal stands on its axis{depth}.",
            "Model the hole, or correct the seat point and the axis.",
        )
    if bore.kind == "narrow":
        drill = f"{d - pitch(fastener.screw).pitch:.1f} mm (tap drill)"
        return Problem(
            Verdict.FAIL,
            f"The hole under it in {into} is {millimetres(bore.diameter)} mm wide: too small for "
            f"{size}.",
            f"Model it {drill} to {d:g} mm wide, or use a thinner bolt.",
        )
    if bore.kind == "wide":
        return Problem(
            Verdict.FAIL if named else Verdict.UNDECIDED,
            f"The hole under it in {into} is {millimetres(bore.diameter)} mm wide: {size} finds "
            "no thread there.",
            f"Model the tapped hole up to {d:g} mm wide, or {other}.",
        )
    return Problem(
        Verdict.UNDECIDED,
        f"No round, even hole for {size} was found in {into}: the wall round its axis is open, or "
        "tapers.",
        f"Correct the seat point and the axis, or {other}.",
    )


def offset_problem(grip: Grip, allowed: float) -> Problem | None:
    """A tapped hole that stands off the axis."""
    bore = grip.bore
    if bore is None or bore.kind != "thread" or bore.offset <= allowed:
        return None
    return Problem(
        Verdict.FAIL,
        f"The tapped hole in {grip.into} stands up to {millimetres(bore.offset)} mm off its axis, "
        f"{millimetres(allowed)} mm allowed.",
        f"Move the hole in {grip.into}, or correct the seat point and the axis.",
    )


def depth_problem(bore: Bore, thread_depth: float | None, into: str) -> Problem | None:
    """A stated depth of thread that the hole does not have."""
    if thread_depth is None or bore.mouth + thread_depth <= bore.end + bore.slack_end + 0.05:
        return None
    return Problem(
        Verdict.ERROR,
        f"thread_depth = {thread_depth:g}, but the hole in {into} is only "
        f"{millimetres(bore.end - bore.mouth)} mm deep at its full width.",
        "Correct thread_depth, or the hole.",
    )


def shank_problem(fastener: Fastener, grip: Grip) -> Problem | None:
    """Metal where the bolt's shank has to go through."""
    near = grip.shank
    part, point = near.part or near.doubt, near.point
    if near.low >= 0.0 or not part:
        return None
    place = "" if point is None else f" at {at(point)}"
    radius = 0.5 * fastener.screw.thread_diameter
    if near.high < 0.0:
        if near.value <= -radius + 1e-6:
            return Problem(
                Verdict.FAIL,
                f"There is no hole for it in {part}: metal stands on its axis{place}.",
                f"Model the hole in {part}, or correct the seat point and the axis.",
            )
        return Problem(
            Verdict.FAIL,
            f"{part} stands {millimetres(-near.value)} mm in the way of its shank{place}: the "
            "hole is too small or off the axis.",
            f"Open {part} there by {at_least(-near.low)} mm or more, or move the hole.",
        )
    return Problem(
        Verdict.UNDECIDED,
        f"It cannot be told whether its shank goes past {part}{place}: the room is between "
        f"{millimetres(near.low)} and {millimetres(near.high)} mm.",
        f"Export {part} with a finer chord error, or declare its sagitta.",
    )


def figure_problem(
    fastener: Fastener, grip: Grip, wanted: Wanted, figure: Figure
) -> Problem | None:
    """A figure that is not surely as much as it must be."""
    if figure.met:
        return None
    sure = figure.high < figure.least
    verdict = Verdict.FAIL if sure else Verdict.UNDECIDED
    amount = _amount(fastener, figure)
    if not sure:
        amount += f", between {millimetres(figure.low)} and {millimetres(figure.high)} mm"
    need = f"{millimetres(figure.least)} mm wanted"
    if figure.name == "engagement":
        head = "It is too short: " if sure else "It may be too short: "
        return Problem(
            verdict, f"{head}{amount} of thread engaged in {grip.into}, {need}.", "", figure
        )
    if figure.name == "margin":
        if figure.value < 0.0 and sure:
            by = millimetres(-figure.value)
            text = f"It bottoms: its end stands {by} mm beyond the end of the thread in {grip.into}"
            return Problem(verdict, f"{text}, {need} before it.", "", figure)
        head = "Too near to the end of the hole" if sure else "It may bottom"
        text = f"{head}: {amount} from its end to the end of the thread in {grip.into}, {need}."
        remedy = ""
        if not sure and wanted.thread_depth is None:
            text += " How deep the thread is cut is not given; a tap needs room below it."
            remedy = "Give thread_depth, from the mouth of the hole."
        return Problem(verdict, text, remedy, figure)
    if figure.name == "tip":
        part = "" if grip.beyond is None else grip.beyond.part or grip.beyond.doubt
        if figure.value < 0.0 and sure:
            by = millimetres(-figure.value)
            return Problem(verdict, f"Its end stands {by} mm in {part}, {need} of it.", "", figure)
        head = "Its end comes too near" if sure else "Its end may come too near"
        return Problem(verdict, f"{head} to {part}: {amount}, {need}.", "", figure)
    if figure.name == "protrusion":
        if figure.value < 0.0 and sure:
            by = millimetres(-figure.value)
            return Problem(
                verdict, f"It ends {by} mm inside its nut, {need} beyond it.", "", figure
            )
        head = "It hardly reaches through its nut" if sure else "It may not reach through its nut"
        return Problem(verdict, f"{head}: {amount} beyond it, {need}.", "", figure)
    by = millimetres(-figure.low if not sure else -figure.high)
    head = "Its smooth shank reaches" if sure else "Its smooth shank may reach"
    where = "the nut" if grip.into is None else f"the thread of {grip.into}"
    return Problem(
        verdict,
        f"{head} {by} mm into {where}.",
        "Use a bolt that is threaded farther up.",
        figure,
    )


def good_text(fastener: Fastener, grip: Grip, found: tuple[Figure, ...]) -> str:
    """The figures of a bolt, as a sentence without its beginning."""
    rows = [grip_text(grip)]
    for figure in found:
        amount = _amount(fastener, figure)
        if figure.name == "engagement":
            width = "" if grip.bore is None else millimetres(grip.bore.diameter)
            rows.append(f"{amount} of thread engaged in {grip.into} (hole drawn {width} mm wide)")
        elif figure.name == "margin":
            rows.append(f"{amount} from its end to the end of the thread")
        elif figure.name == "tip" and grip.beyond is not None:
            part = grip.beyond.part or grip.beyond.doubt
            rows.append(f"{amount} from its end to {part}")
        elif figure.name == "protrusion":
            rows.append(f"{amount} beyond its nut")
    return "; ".join(rows)


def lengths_text(fastener: Fastener, lengths: Lengths) -> str:
    """What length to use; empty where none was looked for."""
    if lengths.shortest is None or lengths.longest is None:
        return ""
    works = (
        f"{lengths.shortest:g} to {lengths.longest:g} mm works"
        if lengths.longest > lengths.shortest
        else f"{lengths.shortest:g} mm works"
    )
    if lengths.standard is None:
        if fastener.screw.size.startswith("M"):
            return f"No standard length is among those that work ({works})."
        return f"Use a length that works: {works}."
    rare = ", a length of second choice" if lengths.second else ""
    return f"Use {fastener.screw.size} x {lengths.standard:g} ({works}{rare})."


def _amount(fastener: Fastener, figure: Figure) -> str:
    text = f"{millimetres(figure.value)} mm"
    if figure.name == "engagement" and math.isfinite(figure.value):
        text += f" ({figure.value / fastener.screw.thread_diameter:.2f} d)"
    return text
