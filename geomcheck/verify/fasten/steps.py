"""The steps of an order of work: that they belong together, and that each can be done."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.handling import (
    Bolt,
    finger_comes,
    plug_top,
    plugged,
    prisms,
)
from geomcheck.verify.fasten.lines import Run
from geomcheck.verify.fasten.room import frame_of
from geomcheck.verify.fasten.travel import meets
from geomcheck.verify.fasten.work import Job, Piece
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.witness import NEAR

_KINDS = ("load", "set", "put in", "tighten", "plug in")


class Steps:
    """Steps of putting on, as a finding tells them.

    Parameters
    ----------
    job : Job
    finding : Finding
    """

    def __init__(self, job: Job, finding: Finding) -> None:
        self.job, self.finding = job, finding
        told: Any = finding.details["steps"]
        self.rows: list[dict[str, Any]] = list(told)
        self.number: dict[str, int] = {}
        self.count: Counter[str] = Counter()
        for number, row in enumerate(self.rows):
            for name in row["names"]:
                item = self._item(row["kind"], name)
                self.number[item] = number
                self.count[item] += 1

    @staticmethod
    def _item(kind: str, name: str) -> str:
        """What comes off where this is put on."""
        known = {"tighten": f"bolt {name}", "set": name, "plug in": f"connector {name}"}
        return known.get(kind, f"drawing bolt {name}")

    def listed(self) -> Iterator[Claim]:
        """That all is put on once, each after what it needs, and the rows agree with that."""
        job = self.job
        wanted = set(job.pieces) | {f"connector {name}" for name in job.plugs}
        for name, bolt in job.bolts.items():
            if not job.on_the_bench(bolt):
                wanted |= {f"bolt {name}", f"drawing bolt {name}"}
        strange = sorted(wanted ^ set(self.number)) + [n for n, k in self.count.items() if k > 1]
        kinds = all(row["kind"] in _KINDS for row in self.rows)
        words = f"{len(wanted)} things" if not strange else f"not once: {', '.join(strange[:4])}"
        yield confirm("everything is put on once", not strange and kinds, words)
        if strange:
            return
        wrong = [f"{b} before {a}" for a, b in self._needs() if self.number[a] >= self.number[b]]
        words = "; ".join(wrong[:3]) or "each after what holds it and by the project's rules"
        yield confirm("sequence", not wrong, words)
        yield from self._rows_agree()

    def _needs(self) -> Iterator[tuple[str, str]]:
        """Pairs: what goes before, what goes after."""
        job = self.job
        for name, bolt in job.bolts.items():
            if job.on_the_bench(bolt):
                continue
            off, out = f"bolt {name}", f"drawing bolt {name}"
            yield out, off
            mine = job.owner.get(bolt.part)
            for piece in job.held(bolt):
                yield piece, off
                if piece != mine:
                    yield piece, out
            if mine in job.pieces and bolt.load == "first":
                yield out, str(mine)
        for name, plug in job.plugs.items():
            mine = job.owner.get(plug.part)
            if mine in job.pieces:
                pair = (f"connector {name}", str(mine))
                yield pair if plug.when == "first" else pair[::-1]
        for rule in job.order.rules:
            first, then = job.named(rule.first), job.named(rule.then)
            if first and then:
                for item in first:
                    yield item, then[0]

    def _rows_agree(self) -> Iterator[Claim]:
        """What a row says of parts, places, tools, and what is not there yet."""
        job, wrong = self.job, []
        for number, row in enumerate(self.rows):
            later = [piece for piece in job.pieces.values() if self.number[piece.name] > number]
            absent = sorted(part for piece in later for part in piece.parts)
            if sorted(row["absent"]) != absent:
                wrong.append(f"step {number + 1}: what is not there yet")
            if row["kind"] == "set":
                parts = [part for name in row["names"] for part in job.pieces[name].parts]
                if sorted(row["parts"]) != sorted(parts) or len(row["names"]) != 1:
                    wrong.append(f"step {number + 1}: what is set")
                continue
            entries: dict[str, Any] = dict(job.plugs if row["kind"] == "plug in" else job.bolts)
            places = [entries[name].at for name in row["names"]]
            off = np.abs(np.subtract(sorted(map(list, row["at"])), sorted(map(list, places))))
            if float(off.max()) > NEAR:
                wrong.append(f"step {number + 1}: the places")
            if any(entries[name].part not in row["parts"] for name in row["names"]):
                wrong.append(f"step {number + 1}: the part")
        words = "; ".join(wrong[:3]) or "parts, places, and what is not there yet"
        yield confirm("what the steps say", not wrong, words)

    def there(self, number: int, carrier: str = "") -> list[str]:
        """Parts there when a step begins."""
        items = [item for item, n in self.number.items() if n < number]
        return self.job.present(items, carrier)

    def done(self) -> Iterator[Claim]:
        """Each step, done again."""
        for number, row in enumerate(self.rows):
            for name in row["names"]:
                what = f"step {number + 1}, {row['kind']} {name}"
                if row["kind"] == "set":
                    yield self._set(what, number, row, self.job.pieces[name])
                elif row["kind"] == "plug in":
                    yield from self._plug(what, number, name)
                elif row["kind"] == "tighten":
                    yield from self._tighten(what, number, row, name)
                else:
                    yield from self._put_in(what, number, row["kind"], name)

    def _set(self, what: str, number: int, row: dict[str, Any], piece: Piece) -> Claim:
        """A piece goes on the way it came off: nothing that is there stands ahead of it."""
        job = self.job
        off = -np.array(row["direction"], dtype=np.float64)
        ways = job.ways(piece)
        legs = piece.legs(off)
        if piece.via and np.abs(piece.legs(None)[0][1] - off).max() <= 1e-5:
            legs = piece.legs(None)
        elif not any(way is not None and float(way @ off) > 1.0 - 1e-9 for way in ways):
            return confirm(what, False, "this way is not one of those that may be tried")
        movers = {name: job.scene.triangles(job.vehicle, name) for name in piece.parts}
        solid = {name: job.scene.body(job.vehicle, name).closed for name in piece.parts}
        for name, bolt in job.bolts.items():
            if job.owner.get(bolt.part) == piece.name and self._rides(name):
                one = Bolt(job, bolt)
                stays = [n for n in job.standing(bolt.part) if n not in job.owner]
                movers[f"bolt {name}"] = one.body(max(one.raised(stays), 0.0))
                solid[f"bolt {name}"] = True
        others = self._others(number, piece)
        return self._moved(what, legs, movers, solid, others)

    def _rides(self, name: str) -> bool:
        """Whether a bolt is in its part before that is set."""
        bolt = self.job.bolts[name]
        out, mine = f"drawing bolt {name}", self.job.owner.get(bolt.part)
        return (
            mine in self.job.held(bolt)
            and out in self.number
            and self.number[out] < self.number[str(mine)]
        )

    def _others(self, number: int, piece: Piece) -> dict[str, tuple[FloatArray, bool]]:
        """What is there when a piece is set, plugs on parts that stay among it."""
        job = self.job
        others = {}
        for name in self.there(number):
            if name not in piece.parts:
                body = job.scene.body(job.vehicle, name)
                others[name] = (body.triangles, body.closed)
        for name, plug in job.plugs.items():
            here = self.number[f"connector {name}"] < number
            if here and job.owner.get(plug.part) is None and not plug.itself:
                wide = plug.diameter or float(np.hypot(*(plug.box or (0.0, 0.0))))
                cable = plug.cable or min(plug.box or (wide, wide))
                end = plug.length + plug.straight
                rows = [(0.0, plug.length, wide / 2.0), (plug.length, end, cable / 2.0)]
                others[f"connector {name}"] = (prisms(frame_of(plug.at, plug.axis), rows), True)
        return others

    def _moved(
        self,
        what: str,
        legs: Sequence[tuple[FloatArray, FloatArray, float]],
        movers: dict[str, FloatArray],
        solid: dict[str, bool],
        others: dict[str, tuple[FloatArray, bool]],
    ) -> Claim:
        allow = self.job.order.allow
        narrow, unsure = [], []
        for start, direction, length in legs:
            run = Run(direction, allow, length)
            for mover, triangles in movers.items():
                for name, (other, closed) in others.items():
                    sheet = not (closed and solid[mover])
                    found = meets(run, triangles + start, other, sheet=sheet)
                    pair = f"{mover} at {name}"
                    if found.wide and found.point is not None and not sheet:
                        x, y, z = found.point
                        return confirm(what, False, f"{pair} at ({x:.2f}, {y:.2f}, {z:.2f})")
                    if found.lines:
                        narrow.append(pair)
                    elif not found.complete:
                        unsure.append(pair)
        if narrow:
            return left_open(what, f"lines meet metal, how wide is not settled: {narrow[0]}")
        if unsure:
            return left_open(what, f"too many triangles for lines this close: {unsure[0]}")
        words = f"{len(movers) * len(others)} pairs, nothing wider than {allow:g} mm ahead"
        return confirm(what, True, words)

    def _put_in(self, what: str, number: int, kind: str, name: str) -> Iterator[Claim]:
        """Head, washer and shank of a bolt; loaded first, it must let its part down."""
        job, entry = self.job, self.job.bolts[name]
        bolt = Bolt(job, entry)
        mine = job.owner.get(entry.part)
        if kind == "load":
            if not self._rides(name):
                yield confirm(what, False, "its part is there already")
                return
            names = [n for n in job.owned(str(mine)) if n in job.standing(entry.part)]
            left = bolt.drawn(names)
            yield confirm(what, left >= -NEAR, f"{left:.3f} mm left on the bench")
        else:
            left = bolt.drawn(self.there(number, entry.part))
            yield confirm(what, left >= -NEAR, f"{left:.3f} mm left")
        if self._rides(name):
            stays = [n for n in job.standing(entry.part) if job.owner.get(n) != mine]
            room = bolt.travel(job.standing(entry.part)) - bolt.raised(stays)
            yield confirm(f"{what}, lets its part down", room >= -NEAR, f"{room:.3f} mm of travel")

    def _tighten(self, what: str, number: int, row: dict[str, Any], name: str) -> Iterator[Claim]:
        """The tool stands and turns, and a finger comes to it."""
        job, entry = self.job, self.job.bolts[name]
        bolt = Bolt(job, entry)
        tool = bolt.tools().get(row["tool"])
        if tool is None:
            yield confirm(what, False, f"{row['tool'] or 'no tool'} may not be used on it")
            return
        names = self.there(number, entry.part)
        left = bolt.stands(tool, names)
        yield confirm(f"{what}, stands", left >= -NEAR, f"{tool.name}, {left:.3f} mm to spare")
        if left >= -NEAR:
            if bolt.turns(tool, names):
                yield confirm(f"{what}, turns", True, f"{tool.arc:g} degrees")
            elif bolt.no_turn(tool, names):
                yield confirm(f"{what}, turns", False, f"less than {tool.arc:g} degrees")
            else:
                yield left_open(f"{what}, turns", "no free arc among those that were tried")
        yield self._finger(what, names, bolt.top_of(tool), bolt.axis)

    def _plug(self, what: str, number: int, name: str) -> Iterator[Claim]:
        """Body, cable and fingers over the stroke, and a finger's way to the plug."""
        job, entry = self.job, self.job.plugs[name]
        mine = job.owner.get(entry.part)
        names = self.there(number, entry.part)
        if entry.when == "first" and mine is not None:
            names = [n for n in job.owned(mine) if n in job.standing(entry.part)]
        left = plugged(job, entry, names)
        yield confirm(what, left >= -NEAR, f"{left:.3f} mm to spare")
        kept = [n for n in names if n not in entry.itself]
        yield self._finger(what, kept, plug_top(entry), entry.axis)

    def _finger(self, what: str, names: Sequence[str], place: FloatArray, axis: Any) -> Claim:
        if finger_comes(self.job, names, place, axis):
            return confirm(f"{what}, a finger comes", True, "straight")
        return left_open(f"{what}, a finger comes", "no straight way among those that were tried")
