"""Re-check of a bolt's length: rays through what it clamps, the wall of its hole, its end."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.axis import View, pierced, view
from geomcheck.verify.fasten.bolts import Bolt, seated, witness_on
from geomcheck.verify.fasten.joint import DEPTH, LIFT, figures_of, inside, joint_of
from geomcheck.verify.fasten.walls import wall_at
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: No metal is looked for farther from the shank than this, mm.
BESIDE = 5.0
#: Rings of rays under the head, from the clearance hole (0) to the edge of the bearing face (1).
RINGS, PLACES = (0.1, 0.3, 0.5, 0.7, 0.9), 24
#: A share of the rays under the head that must meet the layers told of.
AGREE = 0.45
#: Metal thinner than this is no layer, mm; and one that ends so near under the seat.
THIN, AT_SEAT = 1e-3, 0.05
#: A hole is closed by metal so far under its threaded wall, over the diameter.
NEXT = 0.25


def length(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A bolt's length: layers, hole, shank, end, and the figures that follow from them."""
    bolt = Bolt.of(scene, finding)
    yield from seated(scene, finding, bolt)
    details: Any = finding.details
    if "grip" not in details:
        holds = finding.verdict is not Verdict.PASS
        yield confirm("no figures", holds, f"{finding.verdict} without figures")
        if holds and details["seat"]["state"] == "seated":
            yield left_open("layers", "what could not be told is not looked for again")
        return
    radius = max(1.5 * bolt.row.head_diameter, 1.1 * bolt.row.thread_diameter + BESIDE)
    names = scene.names(finding.vehicle)
    seat = bolt.point(bolt.height)
    about = view(scene, finding.vehicle, seat, -bolt.axis, radius, names=names)
    grip = details["grip"]
    yield from _layers(bolt, about, grip)
    yield from _joints(scene, finding, grip)
    hole = details["hole"]
    if hole is not None:
        yield from _hole(scene, finding, bolt, about, grip, hole)
    yield _shank(bolt, about, grip, hole)
    joint, claims = joint_of(finding, bolt, about)
    yield from claims
    yield from figures_of(finding, bolt, joint)
    for witness in finding.witnesses:
        if witness.label != "seat":
            inside = about.holder_of(np.array(witness.point), [witness.part]) is not None
            inside &= bolt.off(witness.point)[1] <= NEAR
            yield witness_on(scene, finding, bolt, witness, inside=inside)


def _layers(bolt: Bolt, about: View, grip: Any) -> Iterator[Claim]:
    """What rays under the head meet, against the layers told of."""
    told = [(row["part"], float(row["top"]), row["bottom"]) for row in grip["layers"]]
    inner, outer = bolt.hole_radius, max(bolt.bearing_radius, 1.05 * bolt.hole_radius)
    agree, tops, ends = 0, [], []
    for ring in RINGS:
        for k in range(PLACES):
            turn = 2.0 * math.pi * (k + 0.31 * ring + 0.17) / PLACES
            away = inner + ring * (outer - inner)
            seen = _seen(about, away * math.cos(turn), away * math.sin(turn))[: len(told)]
            if [one[0] for one in seen] == [one[0] for one in told]:
                agree += 1
                tops.append([one[1] for one in seen])
                ends.append([one[2] for one in seen])
    share = agree / (len(RINGS) * PLACES)
    listed = ", then ".join(one[0] for one in told)
    yield confirm("layers", share >= AGREE, f"{listed}, by {100.0 * share:.0f} % of the rays")
    if not agree:
        return
    off = 0.0
    for n, row in enumerate(grip["layers"]):
        loose = float(row["spread"]) + DEPTH
        top, end = min(one[n] for one in tops), max(one[n] for one in ends)
        off = max(off, abs(top - float(row["top"])) - loose)
        if row["bottom"] is not None:
            off = max(off, abs(end - float(row["bottom"])) - loose)
    yield confirm("faces of the layers", off <= 0.0, f"{max(off, 0.0):.6f} mm off")
    last = grip["layers"][-1]
    face = last["top"] if grip["into"] is not None else last["bottom"]
    loose = float(last["spread"]) + DEPTH
    holds = face is not None and abs(float(face) - float(grip["thickness"])) <= loose
    yield confirm("thickness clamped", holds, f"{float(grip['thickness']):.6f} mm")


def _seen(about: View, x: float, y: float) -> list[tuple[str, float, float]]:
    """Layers that a ray meets below the seat: part, top, bottom."""
    found = []
    for name, tri in about.parts.items():
        met, depth = pierced(tri, x, y)
        facing = np.cross(tri[met, 1] - tri[met, 0], tri[met, 2] - tri[met, 0])[:, 2]
        order = np.argsort(depth[met], kind="stable")
        top = None
        for at, look in zip(depth[met][order].tolist(), facing[order].tolist(), strict=True):
            # Depths grow into the metal: a face that looks back at the head is entered.
            if look < 0.0:
                top = at if top is None else top
            elif top is not None:
                if at - top > THIN and at > AT_SEAT:
                    found.append((name, top, at))
                top = None
        if top is not None:
            found.append((name, top, math.inf))
    return sorted(found, key=lambda one: (one[1], one[2]))


def _joints(scene: Scene, finding: Finding, grip: Any) -> Iterator[Claim]:
    """Gaps, gaskets and air between the layers."""
    wrong = []
    for n, row in enumerate(grip["joints"]):
        upper, lower = grip["layers"][n], grip["layers"][n + 1]
        gap = float(lower["top"]) - float(upper["bottom"])
        loose = float(lower["spread"]) + float(upper["spread"]) + DEPTH
        if abs(gap - float(row["gap"])) > loose or row["parts"] != [upper["part"], lower["part"]]:
            wrong.append(f"{upper['part']} and {lower['part']}: {gap:.6f} mm apart")
        gasket = row["gasket"]
        known = [
            one.gasket
            for one in scene.project.document.mates
            if set(one.parts) == set(row["parts"]) and one.vehicle in (None, finding.vehicle)
        ]
        if gasket is not None and float(gasket) not in known:
            wrong.append(f"no gasket of {gasket:g} mm in the project")
        air = float(row["gap"]) - float(gasket or 0.0)
        if abs((0.0 if abs(air) < 1e-4 else air) - float(row["air"])) > 2.0 * NEAR:
            wrong.append(f"{air:.6f} mm of air")
    yield confirm("joints", not wrong, "; ".join(wrong) or f"{len(grip['joints'])}")


def _hole(
    scene: Scene, finding: Finding, bolt: Bolt, about: View, grip: Any, hole: Any
) -> Iterator[Claim]:
    """The hole in the part with the thread."""
    part, kind = grip["into"], hole["kind"]
    named = bolt.entry.into in (None, part)
    yield confirm("part with the thread", named, f"{part}; the entry says {bolt.entry.into}")
    body = scene.body(finding.vehicle, part)
    if kind in ("none", "open"):
        depth = hole["floor"]
        met, at = pierced(about.parts[part], 1e-3, 7e-4)
        holds = depth is None or bool((np.abs(at[met] - float(depth)) <= DEPTH).any())
        yield confirm("hole", (holds and kind == "none") or kind == "open", f"{kind}")
        return
    if kind != "thread":
        wall = wall_at(body, about.at, about.axis, 0.0, 200.0, 0.5 * float(hole["diameter"]))
        off = math.inf if wall is None else abs(2.0 * wall.radius - float(hole["diameter"]))
        yield confirm("width of the hole", off <= 0.01, f"{off:.6f} mm off")
        return
    wrong, offsets, widths, nearest = [], [], [], math.inf
    for a, b in hole["pieces"]:
        wall = wall_at(
            body,
            about.at,
            about.axis,
            a + 0.05,
            b - 0.05,
            0.5 * float(hole["diameter"]),
            off=float(hole["offset"]),
        )
        if wall is None:
            wrong.append(f"no round wall from {a:.3f} to {b:.3f} mm")
            continue
        loose = DEPTH + float(hole["slack"]) + float(hole["slack_end"])
        if wall.low > a + loose or wall.high < b - loose:
            wrong.append(f"the wall goes from {wall.low:.3f} to {wall.high:.3f} mm")
        widths.append(2.0 * wall.radius)
        offsets += [
            float(np.linalg.norm((wall.point + at * wall.axis - about.at) @ about.frame[:2].T))
            for at in (a, b)
        ]
        nearest = min(nearest, about.nearest(a + 0.02, b - 0.02, [part])[0])
    yield confirm("threaded wall", not wrong, "; ".join(wrong) or f"{len(hole['pieces'])}")
    if not widths:
        return
    holds = min(abs(one - float(hole["diameter"])) for one in widths) <= 0.01
    yield confirm("width of the hole", holds, f"{widths[0]:.6f} mm")
    holds = abs(max(offsets) - float(hole["offset"])) <= 0.01
    yield confirm("offset of the hole", holds, f"{max(offsets):.6f} mm")
    holds = abs(nearest - float(hole["free"])) <= 0.01
    yield confirm("free of metal", holds, f"{nearest:.6f} mm")
    yield from _ends(bolt, about, part, hole)


def _ends(bolt: Bolt, about: View, part: str, hole: Any) -> Iterator[Claim]:
    """Mouth and bottom of a threaded hole."""
    size = bolt.row.thread_diameter
    start, end = float(hole["pieces"][0][0]), float(hole["pieces"][-1][1])
    first = about.lowest(inside(bolt, hole), start + DEPTH, [part])[0]
    blind = first <= end + NEXT * size + DEPTH
    holds = blind == bool(hole["blind"]) and first >= end - 0.02
    yield confirm("end of the hole", holds, f"metal {first:.6f} mm below the seat")
    rim = about.lowest(0.65 * size, start - size, [part])[0]
    mouth = float(hole["mouth"])
    holds = min(abs(mouth - start), abs(mouth - rim)) <= 0.05
    yield confirm("mouth of the hole", holds, f"{rim:.6f} or {start:.6f} mm below the seat")


def _shank(bolt: Bolt, about: View, grip: Any, hole: Any) -> Claim:
    """Room about the shank in all parts above the thread."""
    tip = bolt.entry.length - bolt.entry.washer
    last = grip["layers"][-1]
    parts = list(about.parts)
    radius = 0.5 * bolt.row.thread_diameter
    if hole is None:
        asked: list[tuple[Sequence[str], float]] = [(parts, float(last["bottom"]))]
    else:
        end = max(min(float(hole["mouth"]), tip), 0.0)
        others = [name for name in parts if name != last["part"]]
        asked = [(others, tip), ([last["part"]], end - LIFT)]
    found = [
        min(about.nearest(LIFT, depth, names)[0] - radius, BESIDE)
        for names, depth in asked
        if depth > LIFT
    ]
    told = float(grip["shank_room"]["read"])
    loose = float(grip["shank_room"]["low"]) <= told + bolt.near
    holds = (
        any(abs(one - told) <= bolt.near for one in [*found, *([BESIDE] * (not found))]) and loose
    )
    return confirm("room about the shank", holds, f"{min(found, default=BESIDE):.6f} mm")
