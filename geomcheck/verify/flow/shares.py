"""What loses pressure in a duct, read again from its areas and its line, share by share."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely

from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.flow import table
from geomcheck.verify.flow.duct import Duct
from geomcheck.verify.flow.march import Bore
from geomcheck.verify.flow.seen import shadow, stretch
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray

#: Coefficients agree to this share and this much.
SHARE, LEAST = 0.01, 1e-4
#: A change of area is told from this share on, a bend from this turn (degrees) on, where the
#: radius is below so many diameters; a cone of more than STEEP degrees is a step.
CHANGE, TURN, STRAIGHT, STEEP = 0.01, 3.0, 20.0, 40.0
#: Cone angles (degrees) between which a narrowing goes from smooth to sharp-edged.
BLUNT = 15.0, 60.0
#: Places of a blade along the line are told to a quarter of a millimetre, and looked for so here.
PLACE = 1.0
#: Share of the gap at a blade's edge that the stream fills at the least (von Mises, 1917).
GAP = 0.611


class Shares:
    """The shares of one estimate, and the areas they rest on.

    Parameters
    ----------
    duct : Duct
    rows : sequence of Station
        Sections at the stations of the estimate.
    bore : Bore
        Areas at the same.
    told : sequence of mapping
        The shares as the finding tells them.
    """

    def __init__(
        self, duct: Duct, rows: Sequence[Station], bore: Bore, told: Sequence[Any]
    ) -> None:
        self.duct, self.rows, self.bore = duct, rows, bore
        self.told = [share for share in told if share["kind"] != "friction"]
        self.wide: FloatArray = np.sqrt(4.0 / np.pi * bore.area)
        self.walls: FloatArray = np.array([row.bore for row in rows])

    def _row(self, s: float) -> int:
        return int(np.argmin(np.abs(self.bore.s - s)))

    def claims(self) -> Iterator[Claim]:
        """Each share's coefficients, and that nothing is left out."""
        for share in self.told:
            kind = share["kind"]
            what = f"coefficients of {share['name']}"
            if kind == "bend":
                yield self._same(what, share, self._bend(share), None)
            elif kind == "entry":
                edge = self.duct.entry.flow.inlet_edge if self.duct.entry.flow else None
                band = None if edge is None else table.entry(edge / float(self.wide[0]))
                yield self._same(what, share, band, None)
            elif kind == "blade":
                yield from self._blade(what, share)
            else:
                yield from self._change(what, share)
        yield self._complete()
        yield self._straight()

    def _same(
        self, what: str, share: Any, plain: table.Ends | None, widen: table.Ends | None
    ) -> Claim:
        words, holds = [], True
        for name, own in (("plain", plain), ("widen", widen)):
            given = share[name]
            if (given is None) != (own is None):
                return confirm(what, False, f"{name}: told {given}, from the table {own}")
            if given is None or own is None:
                continue
            holds &= all(
                abs(a - b) <= SHARE * abs(b) + LEAST for a, b in zip(given, own, strict=True)
            )
            words.append(f"{own[0]:.4f} to {own[1]:.4f}, told {given[0]:.4f} to {given[1]:.4f}")
        return confirm(what, holds, "; ".join(words) or "none")

    def _bend(self, share: Any) -> table.Ends:
        begin, end = self._row(share["from"]), self._row(share["to"])
        angle = self.duct.line.turned(float(share["from"]), float(share["to"]))
        size = np.sqrt(4.0 / np.pi * self.walls[begin : end + 1])
        length = float(share["to"]) - float(share["from"])
        return table.bend(angle, length / np.radians(angle) / float(size.mean()))

    def _angles(self, a: int, b: int) -> list[float]:
        """Whole angle of the cone between two stations, and a step's if one may hide there."""
        mean = float(self._cones([a, b])[0])
        steps = np.abs(np.diff(self.bore.area[a : b + 1]))
        whole = abs(float(self.bore.area[b] - self.bore.area[a]))
        return [mean, 180.0] if float(steps.max()) > 0.5 * whole else [mean]

    def _cones(self, rows: Sequence[int]) -> FloatArray:
        at = np.array(rows)
        slope = np.abs(np.diff(self.wide[at])) / np.diff(self.bore.s[at])
        found: FloatArray = np.degrees(2.0 * np.arctan(0.5 * slope))
        return found

    def _pieces(self, a: int, b: int) -> list[tuple[int, int]]:
        """A stretch parted where it turns from a step to a cone or back."""
        steep = self._cones(range(a, b + 1)) > STEEP
        cuts = [a, *(a + k + 1 for k in range(len(steep) - 1) if steep[k] != steep[k + 1]), b]
        return list(itertools.pairwise(cuts))

    def _ratios(self, a: int, b: int) -> list[float]:
        ratio = float(self.bore.area[b] / self.bore.area[a])
        off = (1.0 - self.bore.minus) / (1.0 + self.bore.plus)
        return [ratio * off, min(1.0, ratio / off)]

    def _narrows(self, a: int, b: int) -> table.Ends:
        area = self.bore.area
        whole = table.narrowing(self._angles(a, b), self._ratios(a, b))
        low = high = 0.0
        for i, j in self._pieces(a, b):
            if area[j] < area[i]:
                one = table.narrowing(self._angles(i, j), self._ratios(i, j))
                weight = min(1.0, float(area[b] / area[j])) ** 2
                low, high = low + weight * one[0], high + weight * one[1]
        return min(whole[0], low), max(whole[1], high)

    def _widens(self, a: int, b: int) -> table.Ends:
        area = self.bore.area
        whole = table.widening(self._angles(a, b))
        lost = float(1.0 - area[a] / area[b]) ** 2
        low = high = 0.0
        for i, j in self._pieces(a, b):
            if area[j] > area[i]:
                one = table.widening(self._angles(i, j))
                head = min(1.0, float(area[a] / area[i])) ** 2
                weight = head * float(1.0 - area[i] / area[j]) ** 2 / lost
                low, high = low + weight * one[0], high + weight * one[1]
        return min(whole[0], low), max(whole[1], high)

    def _blunt(self, a: int, b: int) -> float:
        sharpest = max(self._angles(a, b))
        return float(np.clip((sharpest - BLUNT[0]) / (BLUNT[1] - BLUNT[0]), 0.0, 1.0))

    def _change(self, what: str, share: Any) -> Iterator[Claim]:
        """A narrowing, a widening, or one behind the other."""
        first, last = self._row(share["from"]), self._row(share["to"])
        row, after = self._row(share["at"]), self._row(share["after"])
        plain = widen = None
        vena = 1.0
        sharp = 0.0
        if share["kind"] != "widening":
            # It ends at its narrowest, which may lie before the widening begins.
            narrow = row
            if share["kind"] == "restriction":
                row_of = list(range(first + 1, row + 1))
                found = [self._narrows(first, k) for k in row_of]
                given = share["plain"] or [0.0, 0.0]
                # Which station ended it is not told: the one that comes nearest.
                k = int(np.argmin([abs(b[0] - given[0]) + abs(b[1] - given[1]) for b in found]))
                narrow = row_of[k]
            plain = self._narrows(first, narrow)
            ratio = float(self.bore.area[narrow] / self.bore.area[first])
            vena = 1.0 - self._blunt(first, narrow) * (1.0 - table.drawn(ratio))
            sharp = self._blunt(first, narrow)
        if share["kind"] != "narrowing":
            widen = self._widens(row, after)
            if share["kind"] == "restriction":
                ratio = min(1.0, float(self.bore.area[row] / self.bore.area[after]))
                sharp = min(sharp, self._blunt(row, after)) * table.orifice(ratio)
        if share["kind"] != "restriction":
            sharp = 0.0
        yield self._same(what, share, plain, widen)
        holds = abs(sharp - share["sharp"]) <= SHARE * sharp + LEAST
        holds &= abs(vena - share["vena"]) <= 1e-3
        words = f"sharp edges {sharp:.4f}, the stream fills {vena:.4f} of the opening"
        yield confirm(f"edges of {share['name']}", bool(holds and last >= first), words)

    def _blade(self, what: str, share: Any) -> Iterator[Claim]:
        flow = self.duct.entry.flow
        name = share["name"].split('"')[1]
        entry = next((one for one in flow.blades if one.part == name), None) if flow else None
        if entry is None:
            yield confirm(what, False, f"the project file knows no blade {name}")
            return
        angle = self.duct.angle_of(entry)
        yield self._same(what, share, table.blade(angle), None)
        number = self.duct.names.index(name) - len(self.duct.walls)
        begin, end = stretch(self.duct, self.duct.others[number])
        off = max(abs(begin - share["from"]), abs(end - share["to"]))
        words = f"from {begin:.2f} to {end:.2f} mm, told {share['from']:.2f} to {share['to']:.2f}"
        yield confirm(f"place of {name}", off <= PLACE, words)
        seen = self.open_share(name)
        bore = float(self.walls[self._row(share["at"])])
        told = -1.0 if share["opening"] is None else float(share["opening"])
        words = f"{100.0 * seen:.2f} % of the bore as seen along it, {seen * bore:.1f} mm2"
        holds = abs(seen * bore - told) <= 2e-3 * bore and abs(share["vena"] - GAP) <= 1e-6
        before = bool(self.bore.s[self._row(share["at"])] <= begin)
        yield confirm(f"opening at {name}", holds and before, words)

    def open_share(self, name: str) -> float:
        """Share of the bore before a blade that it, and what stands beside it, leaves open."""
        number = self.duct.names.index(name) - len(self.duct.walls)
        begin, end = stretch(self.duct, self.duct.others[number])
        things = []
        for k, mesh in enumerate(self.duct.others):
            low, high = stretch(self.duct, mesh)
            if k == number or (low <= end and high >= begin):
                things.append(mesh)
        row = max((one for one in self.rows if one.s < begin), key=lambda one: one.s)
        bore = max((row.cut.bores[k] for k in row.bores), key=lambda one: one.area)
        hole = shapely.Polygon(bore.exterior)
        hidden = shadow(things, row.point, row.frame).intersection(hole).area
        return float(1.0 - hidden / hole.area)

    def _complete(self) -> Claim:
        """That the area changes only where it is told."""
        told = np.zeros(len(self.bore.s) - 1, bool)
        for share in self.told:
            if share["kind"] not in ("bend", "entry"):
                inside = self.bore.s >= share["from"] - 1e-3
                inside &= self.bore.s <= share["to"] + 1e-3
                told |= inside[:-1] | inside[1:]
        log, most = np.log(self.bore.area), 0.0
        runs = np.split(np.arange(len(told)), np.flatnonzero(np.diff(told.astype(np.int8))) + 1)
        for run in runs:
            if len(run) and not told[run[0]]:
                most = max(most, float(np.ptp(log[run[0] : run[-1] + 2])))
        words = f"beside the shares told the area changes by {100.0 * most:.2f} % at most"
        return confirm("no change of area left out", most <= 3.0 * CHANGE, words)

    def _straight(self) -> Claim:
        """That the line turns only where it is told."""
        left, run = 0.0, 0.0
        for a, b in itertools.pairwise(self.rows):
            middle = 0.5 * (a.s + b.s)
            bends = (one for one in self.told if one["kind"] == "bend")
            inside = any(one["from"] - 1e-3 <= middle <= one["to"] + 1e-3 for one in bends)
            angle = self.duct.line.turned(a.s, b.s) if b.s - a.s > 1e-3 else 0.0
            wide = float(np.sqrt(4.0 / np.pi * a.bore))
            gentle = np.radians(angle) * wide < (b.s - a.s) / STRAIGHT
            run = 0.0 if inside or gentle else run + angle
            left = max(left, run)
        words = f"beside the bends told the path turns by {left:.2f} degrees at most in one go"
        return confirm("no bend left out", left <= TURN + 1.0, words)
