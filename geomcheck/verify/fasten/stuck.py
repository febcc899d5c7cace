"""Where there is no order of work: that every way of what is stuck is stopped as told."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Witness
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.handling import Bolt, plug_stuck, plugged, prisms
from geomcheck.verify.fasten.lines import Run
from geomcheck.verify.fasten.room import frame_of
from geomcheck.verify.fasten.travel import meets
from geomcheck.verify.fasten.work import Job, Piece
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.witness import NEAR, on_part

#: A place where something is met stands no farther than this from metal wide enough to stop it, mm.
ABOUT = 5.0
#: The ways of a bolt out of its hole.
PLACE, BENCH = "in place", "on the bench"
VIA = "past its way points"


def all_ways(job: Job, stuck: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> Iterator[Claim]:
    """That each thing that is stuck is told of with all of its ways."""
    wrong = []
    for item in stuck:
        mine = [row for row in rows if row["item"] == item]
        kind, name = _kind(job, item)
        if kind == "move":
            told = [_direction(row) for row in mine if row["way"] != VIA]
            for way in job.ways(job.pieces[name]):
                if way is None:
                    found = any(row["way"] == VIA for row in mine)
                else:
                    found = any(float(way @ one) > 1.0 - 1e-9 for one in told if one is not None)
                if not found:
                    wrong.append(f"{item}: a direction is missing")
        elif kind == "bolt":
            missing = set(Bolt(job, job.bolts[name]).tools()) - {row["way"] for row in mine}
            wrong += [f"{item}: {tool} is missing" for tool in sorted(missing)]
        elif kind == "draw":
            wrong += [f"{item}: {way} is missing" for way in _draws(job, name, mine)]
        elif kind == "plug":
            wrong += [] if mine else [f"{item}: its pull is missing"]
        else:
            wrong.append(f"{item} is not known")
    strange = {row["item"] for row in rows} - set(stuck)
    wrong += [f"{item} is not stuck" for item in sorted(strange)]
    words = "; ".join(wrong[:3]) or f"{len(stuck)} things, {len(rows)} ways"
    yield confirm("all ways of what is stuck", not wrong and bool(stuck), words)


def _kind(job: Job, item: str) -> tuple[str, str]:
    if item in job.pieces:
        return "move", item
    for prefix, kind, known in (
        ("drawing bolt ", "draw", job.bolts),
        ("bolt ", "bolt", job.bolts),
        ("connector ", "plug", job.plugs),
    ):
        name = item.removeprefix(prefix)
        if name != item and name in known:
            return kind, name
    return "", item


def _draws(job: Job, name: str, rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Ways of drawing a bolt that should be told and are not."""
    entry = job.bolts[name]
    told = {row["way"] for row in rows}
    mine = job.owner.get(entry.part)
    if entry.load == "first" and mine in job.held(entry) and BENCH in told:
        return []
    missing = [] if PLACE in told else [PLACE]
    if mine in job.held(entry) and BENCH not in told:
        names = [n for n in job.owned(str(mine)) if n in job.standing(entry.part)]
        # It may only be left out where it does not help.
        if Bolt(job, entry).drawn(names) >= -NEAR:
            missing.append(BENCH)
    return missing


def _direction(row: Mapping[str, Any]) -> FloatArray | None:
    if row["direction"] is None:
        return None
    found: FloatArray = np.array(row["direction"], dtype=np.float64)
    return found


def stopped(job: Job, row: Mapping[str, Any], stuck: Sequence[str]) -> Iterator[Claim]:
    """That one way is stopped by what is told, as long as what it names is there."""
    held, part = list(row["while"]), row["stopped_by"]
    kind, name = _kind(job, row["item"])
    inside = set(held) <= set(stuck)
    yield confirm("what stops it stays", inside, ", ".join(held) or "always there")
    owner = job.owner.get(part)
    if part in job.names:
        stays = (owner is None or owner in held) and part in job.standing(_carrier(job, kind, name))
        yield confirm("it is there", stays, f"{part}, of {owner or 'what stays'}")
    if part in job.names and row["point"] is not None:
        witness = Witness("", part, tuple(row["point"]))
        yield on_part(witness, job.scene.triangles(job.vehicle, part))
    rule = _by_rule(job, row)
    if rule is not None:
        yield rule
    elif kind == "move":
        yield _move(job, row, job.pieces[name], held)
    elif kind == "bolt":
        yield _tool(job, row, name, held)
    elif kind == "draw":
        yield _drawing(job, row, name, held)
    elif kind == "plug":
        yield _plug(job, row, name, held)


def _carrier(job: Job, kind: str, name: str) -> str:
    if kind in ("bolt", "draw"):
        return job.bolts[name].part
    return job.plugs[name].part if kind == "plug" else ""


def _by_rule(job: Job, row: Mapping[str, Any]) -> Claim | None:
    """A rule of the project file, or what holds a piece."""
    part, held, item = row["stopped_by"], list(row["while"]), row["item"]
    for number, rule in enumerate(job.order.rules):
        if part == f"rule {number + 1}: {rule.then} after {rule.first}":
            then = job.named(rule.then)
            holds = item in job.named(rule.first) and held == then[:1]
            return confirm("a rule of the project", holds, part)
    kind, name = _kind(job, part)
    if item not in job.pieces or row["point"] is not None or kind not in ("bolt", "plug"):
        return None
    if kind == "plug":
        plug = job.plugs[name]
        holds = job.owner.get(plug.part) == item and plug.when != "first" and held == [part]
        return confirm("a plug on it", holds, part)
    entry = job.bolts[name]
    if held == [f"drawing {part}"] and job.owner.get(entry.part) == item:
        return left_open("a bolt in it", "whether it could travel with its part is not tried again")
    holds = item in job.held(entry) and held in ([part], [f"drawing {part}"])
    return confirm("a bolt that holds it", holds, part)


def _move(job: Job, row: Mapping[str, Any], piece: Piece, held: Sequence[str]) -> Claim:
    """Lines along the travel meet the part near the place that is told."""
    what, part = "met on its way", row["stopped_by"]
    if row["point"] is None:
        return left_open(what, f"no place is told at {part}")
    movers = [job.scene.triangles(job.vehicle, name) for name in piece.parts]
    solid = all(job.scene.body(job.vehicle, name).closed for name in piece.parts)
    riding = [item.removeprefix("drawing bolt ") for item in held if item.startswith("drawing ")]
    if riding:
        stays = [n for n in job.standing() if n not in job.owner]
        bolts = [Bolt(job, job.bolts[name]) for name in riding if name in job.bolts]
        movers = [bolt.body(max(bolt.raised(stays), 0.0)) for bolt in bolts]
    if part in job.names:
        body = job.scene.body(job.vehicle, part)
        other, solid = body.triangles, solid and body.closed
    else:
        kind, name = _kind(job, part)
        if kind != "plug":
            return confirm(what, False, f"there is no {part}")
        plug = job.plugs[name]
        wide = plug.diameter or float(np.hypot(*(plug.box or (0.0, 0.0))))
        other = prisms(frame_of(plug.at, plug.axis), [(0.0, plug.length, wide / 2.0)])
    lines = 0
    for start, direction, length in piece.legs(_direction(row) if row["way"] != VIA else None):
        run = Run(direction, job.order.allow, length)
        for mover in movers:
            found = meets(
                run, mover + start, other, sheet=not solid, about=row["point"], reach=ABOUT
            )
            if found.wide:
                return confirm(what, True, f"{part}, {found.lines} lines or more")
            lines += found.lines
    if lines or not solid:
        return left_open(what, f"{part}: lines do not settle how wide it is met")
    return confirm(what, False, f"no line within {ABOUT:g} mm of the place meets {part}")


def _tool(job: Job, row: Mapping[str, Any], name: str, held: Sequence[str]) -> Claim:
    """A tool does not stand, or surely does not turn."""
    what = "the tool is stopped"
    bolt = Bolt(job, job.bolts[name])
    tool = bolt.tools().get(row["way"])
    if tool is None:
        return confirm(what, False, f"{row['way']} may not be used on it")
    names = job.present(held, bolt.entry.part)
    left = bolt.stands(tool, names)
    if left < 0.0:
        return confirm(what, True, f"{-left:.3f} mm are missing where it stands")
    if not tool.bars or bolt.turns(tool, names):
        return confirm(what, False, f"it stands with {left:.3f} mm to spare, and turns")
    if bolt.no_turn(tool, names):
        return confirm(what, True, f"it has nowhere {tool.arc:g} degrees")
    return left_open(what, "no arc that was tried is free; that none is, is not shown")


def _drawing(job: Job, row: Mapping[str, Any], name: str, held: Sequence[str]) -> Claim:
    """A bolt does not come out in place; on the bench not before its part is off."""
    what = "it does not come out"
    entry = job.bolts[name]
    if list(held) == [f"bolt {name}"]:
        return confirm(what, True, "it is still tight")
    if row["way"] == BENCH and job.owner.get(entry.part) in held:
        return confirm(what, True, "its part is on")
    if row["way"] == BENCH:
        return left_open(what, "what stops it on the bench is not tried again")
    left = Bolt(job, entry).drawn(job.present(held, entry.part))
    return confirm(what, left < 0.0, f"{left:.3f} mm left")


def _plug(job: Job, row: Mapping[str, Any], name: str, held: Sequence[str]) -> Claim:
    """A plug does not come off in place; before its part goes on not with it there."""
    what = "it is not pulled"
    entry = job.plugs[name]
    mine = job.owner.get(entry.part)
    if entry.when == "first" and mine is not None and list(held) == [mine]:
        return confirm(what, True, "its part is on")
    names = job.present(held, entry.part)
    if entry.when == "first" and mine is not None:
        names = [n for n in job.owned(mine) if n in job.standing(entry.part)]
    left = plug_stuck(job, entry, names)
    if left < 0.0:
        return confirm(what, True, f"{-left:.3f} mm are missing about it")
    if plugged(job, entry, names) >= 0.0:
        return confirm(what, False, "body, cable and fingers have room")
    return left_open(what, "fingers have no room in the directions tried; see fasten-connector")
