"""What loses total pressure along a duct, read from the areas and the path of a survey.

Where the area runs through several angles, its loss is reckoned twice, piece by piece and as one
run of the mean angle, and the band takes in both.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.flow import losses
from geomcheck.flow.losses import Band
from geomcheck.flow.profile import FloatArray, Profile

Kind: TypeAlias = Literal["entry", "bend", "narrowing", "widening", "restriction", "blade"]

#: A change of area of less than this share is none.
LEAST_CHANGE = 0.01
#: A path of more than this many diameters' radius is straight; a turn below this is none.
STRAIGHT, LEAST_TURN = 20.0, 3.0
#: Cone angles (degrees): below the first the wall is even; above the second it is a step.
EVEN, STEEP = 0.5, 40.0
#: Cone angles between which a narrowing goes from smooth to sharp-edged: an allowance.
BLUNT = 15.0, 60.0


@dataclass(frozen=True)
class Feature:
    """One thing that loses total pressure.

    Rows are numbers of stations. What is lost is ``plain`` on the dynamic pressure at ``row``,
    and the share ``widen`` of a sudden expansion from ``row`` to ``after``; but it may be as much
    as ``sharp`` on the dynamic pressure at ``after``.

    Parameters
    ----------
    name, kind : str
    begin, end : float
        mm along the path.
    row, after : int
    plain, widen : Band or None
    sharp : float
    blunt : float
        How sharp-edged the change of area may be, from 0 to 1.
    vena : float
        Share of the opening at ``row`` that the stream may draw together to.
    opening : float
        mm2 that a blade leaves open at ``row``.
    """

    name: str
    kind: Kind
    begin: float
    end: float
    row: int
    after: int
    plain: Band | None = None
    widen: Band | None = None
    sharp: float = 0.0
    blunt: float = 0.0
    vena: float = 1.0
    opening: float = np.inf

    @property
    def coefficients(self) -> tuple[float, ...]:
        """The bands' bounds; two features with the same ones rest on the same figures."""
        bands = [band for band in (self.plain, self.widen) if band is not None]
        return (*(x for band in bands for x in (band.low, band.high)), self.sharp)


def find(profile: Profile) -> list[Feature]:
    """Bends, narrowings, widenings and restrictions, in the order of their ends."""
    changes = [c for a, b in _runs(profile.area) for c in _split(profile, a, b)]
    found = [*_bends(profile), *_joined(profile, changes)]
    return sorted(found, key=lambda feature: (feature.end, feature.begin))


def _runs(area: FloatArray) -> list[tuple[int, int]]:
    """Stretches (rows) over which the area only falls or only rises, small waver aside."""
    log = np.log(area)
    pivots, extreme, sense = [0], 0, 0
    for i in range(1, len(log)):
        step = log[i] - log[extreme]
        if sense == 0:
            if abs(log[i] - log[0]) >= LEAST_CHANGE:
                sense, extreme = (1 if log[i] > log[0] else -1), i
        elif step * sense >= 0.0:
            extreme = i
        elif abs(step) >= LEAST_CHANGE:
            pivots.append(extreme)
            sense, extreme = -sense, i
    if sense:
        pivots.append(extreme)
    return list(itertools.pairwise(pivots))


def _angles(profile: Profile, rows: NDArray[np.int64]) -> FloatArray:
    """Total angle of the equivalent cone between successive rows, degrees."""
    widths, lengths = np.diff(profile.diameter[rows]), np.diff(profile.s[rows])
    return np.asarray(np.degrees(2.0 * np.arctan2(np.abs(widths), 2.0 * lengths)))


def _split(profile: Profile, first: int, last: int) -> list[Feature]:
    """Changes of area in a run, parted where it stays even for more than a diameter."""
    rows = np.arange(first, last + 1)
    even = _angles(profile, rows) < EVEN
    marks = np.flatnonzero(np.diff(np.r_[False, even, False].astype(np.int8)))
    parts, begin = [], first
    for low, high in zip(marks[::2], marks[1::2], strict=True):
        a, b = first + int(low), first + int(high)
        if profile.s[b] - profile.s[a] > profile.diameter[a] or a == first or b == last:
            parts.append((begin, a))
            begin = b
    parts.append((begin, last))
    sense = np.sign(profile.area[last] - profile.area[first])
    return [
        _change(profile, a, b)
        for a, b in parts
        if b > a and sense * np.log(profile.area[b] / profile.area[a]) >= 0.5 * LEAST_CHANGE
    ]


def _change(profile: Profile, a: int, b: int) -> Feature:
    """One narrowing or widening from row a to row b, as a whole and in pieces."""
    angle, sharpest = _cones(profile, a, b)
    steep = _angles(profile, np.arange(a, b + 1)) > STEEP
    cuts = [a, *(a + 1 + np.flatnonzero(np.diff(steep.astype(np.int8)))).tolist(), b]
    area, s = profile.area, profile.s
    blunt = float(np.clip((sharpest - BLUNT[0]) / (BLUNT[1] - BLUNT[0]), 0.0, 1.0))
    how = f"at {angle:.0f} degrees" if sharpest < 180.0 else "at a step"
    if area[b] < area[a]:
        pieces = [
            _narrow(profile, i, j).times(*[min(1.0, float(area[b] / area[j])) ** 2] * 2)
            for i, j in itertools.pairwise(cuts)
            if area[j] < area[i]
        ]
        band = _hull(_narrow(profile, a, b), pieces)
        vena = 1.0 - blunt * (1.0 - losses.vena_contracta(float(area[b] / area[a])))
        place = float(s[a]), float(s[b]), b, b
        return Feature(f"narrowing {how}", "narrowing", *place, plain=band, blunt=blunt, vena=vena)
    lost = (1.0 - float(area[a] / area[b])) ** 2
    pieces = []
    for i, j in itertools.pairwise(cuts):
        if area[j] > area[i]:
            weight = min(1.0, float(area[a] / area[i])) ** 2 * float(1.0 - area[i] / area[j]) ** 2
            pieces.append(_widen(profile, i, j).times(weight / lost, weight / lost))
    band = _hull(_widen(profile, a, b), pieces)
    place = float(s[a]), float(s[b]), a, b
    return Feature(f"widening {how}", "widening", *place, widen=band, blunt=blunt)


def _cones(profile: Profile, a: int, b: int) -> tuple[float, float]:
    """Mean angle between two rows, and the greatest it may be: a step hides between stations."""
    angle = float(_angles(profile, np.array([a, b]))[0])
    steps = np.abs(np.diff(profile.area[a : b + 1]))
    whole = abs(float(profile.area[b] - profile.area[a]))
    return angle, 180.0 if float(steps.max()) > 0.5 * whole else angle


def _narrow(profile: Profile, a: int, b: int) -> Band:
    """Band of a narrowing between two rows, over what the areas and the angle may be."""
    ratio = float(profile.area[b] / profile.area[a])
    off = (1.0 - profile.minus) / (1.0 + profile.plus)
    found = [
        losses.contraction(angle, min(1.0, r))
        for angle in _cones(profile, a, b)
        for r in (ratio * off, ratio / off)
    ]
    return _around(found)


def _widen(profile: Profile, a: int, b: int) -> Band:
    """Band of a widening between two rows, over what the angle may be."""
    return _around([losses.diffuser(angle) for angle in _cones(profile, a, b)])


def _around(bands: Sequence[Band]) -> Band:
    return replace(bands[0], low=min(k.low for k in bands), high=max(k.high for k in bands))


def _hull(whole: Band, pieces: Sequence[Band]) -> Band:
    low, high = sum(p.low for p in pieces), sum(p.high for p in pieces)
    return replace(whole, low=min(whole.low, low), high=max(whole.high, high))


def _joined(profile: Profile, changes: list[Feature]) -> list[Feature]:
    """A narrowing with a widening right behind it is one restriction."""
    out: list[Feature] = []
    for change in changes:
        before = out[-1] if out else None
        if (
            before is not None
            and before.kind == "narrowing"
            and change.kind == "widening"
            and change.begin - before.end <= profile.diameter[change.row]
        ):
            ratio = float(profile.area[change.row] / profile.area[change.after])
            out[-1] = replace(
                before,
                name="restriction",
                kind="restriction",
                end=change.end,
                row=change.row,
                after=change.after,
                widen=change.widen,
                sharp=min(before.blunt, change.blunt) * losses.orifice(min(ratio, 1.0)),
            )
        else:
            out.append(change)
    return out


def _bends(profile: Profile) -> list[Feature]:
    """Stretches where the path turns one way."""
    size = np.sqrt(4.0 * profile.bore_area / np.pi)
    curvature = np.linalg.norm(profile.turn, axis=1)
    bent = curvature * size > 1.0 / STRAIGHT
    found = []
    row = 0
    while row < len(bent):
        if not bent[row]:
            row += 1
            continue
        first = row
        while row + 1 < len(bent) and bent[row + 1]:
            if float(profile.turn[row] @ profile.turn[row + 1]) < 0.0:
                break
            row += 1
        rows = np.arange(first, row + 1)
        row += 1
        length = float(profile.s[rows[-1]] - profile.s[rows[0]])
        turned = float(np.trapezoid(curvature[rows], profile.s[rows]))
        angle = float(np.degrees(turned))
        if angle < LEAST_TURN:
            continue
        ratio = length / turned / float(size[rows].mean())
        middle = int(rows[np.argsort(profile.area[rows], kind="stable")[len(rows) // 2]])
        found.append(
            Feature(
                f"bend of {angle:.0f} degrees, R/D {ratio:.2f}", "bend",
                float(profile.s[rows[0]]), float(profile.s[rows[-1]]), middle, int(rows[-1]),
                plain=losses.bend(angle, ratio),
            )
        )  # fmt: skip
    return found
