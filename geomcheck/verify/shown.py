"""That every place a finding shows is the one it speaks of: no witness is confirmed unlooked at.

A route holds the value at a witness, where it can. A witness that slides along a wall, or that no
figure hangs on, would pass unseen: here each is held against the project file's point, against
the figures told of the same place, or against the place that the message names. One that agrees
with none of them is left open; one that must be the project file's point is contradicted.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geomcheck.finding import Finding, Witness
from geomcheck.project.entries import PartEntry
from geomcheck.verify.claims import Claim, Status, confirm, left_open
from geomcheck.verify.flow.duct import duct_of, head_of, main_of
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR, closeness, on_part

#: Places in details are written to a tenth of a micrometre, in messages to a hundredth of a mm.
DETAILS, MESSAGE = 1.2e-4, 9e-3
#: Middles of sections agree to this, mm.
MIDDLE = 1e-2
#: Checks whose routes leave some of their places to this.
HELD_HERE = frozenset(
    ("flow-area", "flow-turn", "flow-estimate", "part-sound", "fit-ports", "fit-trim",
     "fasten-order", "fasten-connector", "fasten-pattern", "fasten-service", "fasten-withdraw")
)  # fmt: skip
#: Labels of places that the project file gives.
GIVEN = frozenset(("seat", "socket", "service point", "joint", "port", "inlet"))
#: Keys of details under which a place stands.
_KEYS = frozenset(("point", "at", "against"))
_FIGURE = r"(-?\d+\.\d{2,})"
_PLACE = re.compile(rf"\({_FIGURE}, {_FIGURE}, {_FIGURE}\)")
_SIDES = {"x": 0, "y": 1, "z": 2}


@dataclass(frozen=True, eq=False)
class Known:
    """A place that is known without the witness.

    Parameters
    ----------
    words : str
        Whose it is.
    point : (3,) float
        Mm, housing frame.
    near : float
        Mm within which a witness is there.
    """

    words: str
    point: FloatArray
    near: float


def shown(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """One claim for each witness whose place the route of its check does not hold for certain.

    Parameters
    ----------
    scene : Scene
    finding : Finding

    Raises
    ------
    NotRechecked
        A part cannot be read by this route.
    """
    if finding.code not in HELD_HERE:
        return
    if finding.code == "fit-trim" and finding.quantity is not None and len(finding.witnesses) == 2:
        # The depth is the distance of the two, each on its part: neither can be elsewhere.
        return
    for witness in finding.witnesses:
        yield _shown(scene, finding, witness)


def _shown(scene: Scene, finding: Finding, witness: Witness) -> Claim:
    what = f"place of {witness.label}"
    if finding.code == "part-sound":
        return _of_part(scene, finding, witness, what)
    if finding.code == "flow-turn" and witness.label == "inlet" and finding.quantity is not None:
        return _inlet(scene, finding, witness, what)
    if witness.label in GIVEN:
        return _compared(witness, what, list(_given(scene, finding)), sure=True)
    if finding.code == "flow-area" and witness.label in ("to", "from"):
        return _compared(witness, what, list(_loss(scene, finding)), sure=True)
    known = [*_told(finding), *_message(finding.message), *_elsewhere(scene, finding, witness)]
    return _compared(witness, what, known)


def _compared(witness: Witness, what: str, known: list[Known], *, sure: bool = False) -> Claim:
    """That a witness is at one of some places; contradicted (``sure``) or left open if not."""
    rows = [(float(np.linalg.norm(one.point - witness.point)), one) for one in known]
    if not rows:
        return left_open(what, "nothing else tells where it is")
    off, one = min(rows, key=lambda row: (row[0] > row[1].near, row[0]))
    words = f"{off:.6f} mm from {one.words}"
    if off <= one.near or sure:
        return confirm(what, off <= one.near, words)
    return left_open(what, words)


def _given(scene: Scene, finding: Finding) -> Iterator[Known]:
    """Points that the project file gives for what a finding is about."""
    document = scene.project.document
    entries: Iterable[Any] = {
        "fasten-withdraw": document.fasteners,
        "fasten-connector": document.connectors,
        "fasten-service": document.services,
        "fasten-pattern": document.patterns,
        "fit-ports": document.port_joints,
    }.get(finding.code, document.ducts)
    for entry in entries:
        if f'"{entry.name}"' not in finding.subject:
            continue
        if getattr(entry, "vehicle", None) not in (None, finding.vehicle):
            continue
        points: list[Any] = []
        if finding.code.startswith("flow-"):
            points += entry.path[:1]
            points += [] if entry.inlet is None else [entry.inlet.at]
        else:
            points.append(entry.at)
        for point in points:
            yield Known("the project file's point", np.array(point, dtype=np.float64), NEAR)


def _told(finding: Finding) -> Iterator[Known]:
    """Places in the details."""
    for point in _points(finding.details):
        yield Known("the place told in the details", point, DETAILS)


def _points(value: Any) -> Iterator[FloatArray]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            if key in _KEYS and _is_place(one):
                yield np.array(one, dtype=np.float64)
            elif key == "unmatched":
                yield from (np.array(row[1], dtype=np.float64) for row in one)
            else:
                yield from _points(one)
    elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
        for row in value:
            yield from _points(row)


def _is_place(value: Any) -> bool:
    return (
        isinstance(value, list | tuple)
        and len(value) == 3
        and all(isinstance(one, int | float) for one in value)
    )


def _message(message: str) -> Iterator[Known]:
    """Places that the message names."""
    for found in _PLACE.findall(message):
        point = np.array([float(one) for one in found])
        yield Known("the place the message names", point, MESSAGE)


def _elsewhere(scene: Scene, finding: Finding, witness: Witness) -> Iterator[Known]:
    """Where the findings that this one rests on show the same."""
    if finding.code == "flow-estimate":
        yield from _fastest(scene, finding)
    if finding.code != "fit-trim":
        return
    for one in scene.findings:
        same = one.vehicle == finding.vehicle and one.subject != finding.subject
        if same and one.code in ("fit-trim", "fit-gap"):
            for theirs in one.witnesses:
                if theirs.part == witness.part:
                    words = f"its place in {one.code} on {one.subject}"
                    yield Known(words, np.array(theirs.point), NEAR)


def _fastest(scene: Scene, finding: Finding) -> Iterator[Known]:
    """Where the figures along a duct are greatest, or the flow is made to pass an opening."""
    line = None
    for one in scene.findings:
        same = (one.code, one.vehicle) == (finding.code, finding.vehicle)
        if not same or head_of(one) != head_of(finding):
            continue
        for known in _message(one.message) if one.subject != finding.subject else ():
            yield Known(f"the place that {one.subject} names", known.point, known.near)
        told = one.details
        if told.get("mach") is None or told.get("shares") is None:
            continue
        line = duct_of(scene, finding).line if line is None else line
        rows = told["mach"]
        lengths = [rows["s"][int(np.argmax(rows["value"]))]]
        lengths += [
            0.5 * (row["from"] + row["to"])
            for row in told["shares"]
            if row.get("opening") is not None
        ]
        for s in lengths:
            yield Known("the path where the figures say", np.asarray(line.point(s)), MIDDLE)


def _loss(scene: Scene, finding: Finding) -> Iterator[Known]:
    """Where a loss of area begins and ends."""
    duct = duct_of(scene, finding)
    for one in duct.entry.losses:
        if finding.subject.endswith(f", {one.begin:g} to {one.end:g} mm"):
            for s in (one.begin, one.end):
                yield Known("the path there", np.asarray(duct.line.point(s)), 1e-3)


def _inlet(scene: Scene, finding: Finding, witness: Witness, what: str) -> Claim:
    """The middle of the first section that can be measured."""
    main = main_of(scene, finding)
    if main is None:
        return left_open(what, "the finding on the duct's least area is not there")
    first = duct_of(scene, finding).along(main.details["curve"]["s"])[0]
    if first.state != "measured":
        return left_open(what, "the first section does not close")
    rim = shapely.union_all([first.cut.bores[k] for k in first.bores])
    known = [
        Known("the middle of the first section", first.space([shape.centroid.coords[0]])[0], MIDDLE)
        for shape in (rim, first.open)
    ]
    return _compared(witness, what, known)


def _of_part(scene: Scene, finding: Finding, witness: Witness, what: str) -> Claim:
    """A place on a part: a point of the project file, a foot, an end, or a place of a fault."""
    vehicle, name = finding.vehicle, finding.parts[0]
    entry, _ = scene.entry(vehicle, name)
    triangles = scene.triangles(vehicle, name)
    near = closeness(scene, vehicle, name)
    given = [
        Known("the project file's point", scene.carried(vehicle, name, np.array(one)), near)
        for one in entry.on_surface
    ]
    if witness.label == "on_surface point":
        return _compared(witness, what, given, sure=True)
    if witness.label == "nearest on the part" and finding.quantity is not None:
        surface = on_part(witness, triangles, near=near)
        points = [one.point for one in given]
        apart = [float(np.linalg.norm(one - witness.point)) for one in points]
        off = min((abs(one - finding.quantity.value) for one in apart), default=np.inf)
        words = f"{off:.6f} mm longer or shorter than told; {surface.words}"
        return confirm(what, off <= near and surface.status is Status.CONFIRMED, words)
    # A fault is shown at a corner, in the middle of an edge or of a triangle.
    marks = np.concatenate(
        [
            triangles.reshape(-1, 3),
            0.5 * (triangles + np.roll(triangles, 1, axis=1)).reshape(-1, 3),
            triangles.mean(axis=1),
        ]
    )
    off = float(np.linalg.norm(marks - witness.point, axis=1).min())
    end = witness.label.split()
    if end[0] in ("least", "greatest") and end[-1] in _SIDES:
        return _end(scene, finding, entry, witness, what)
    known = [
        Known(one.words, scene.carried(vehicle, name, one.point), one.near)
        for one in _message(finding.message)
    ]
    claim = _compared(witness, what, known)
    if claim.status is Status.CONFIRMED:
        return claim
    words = f"{off:.6f} mm from a corner, the middle of an edge or of a triangle of {name}"
    return confirm(what, True, words) if off <= near else left_open(what, words)


def _end(scene: Scene, finding: Finding, entry: PartEntry, witness: Witness, what: str) -> Claim:
    """The corner of a part that lies farthest along an axis of its file."""
    vehicle, name = finding.vehicle, entry.name
    side = _SIDES[witness.label.split()[-1]]
    frame = [scene.carried(vehicle, name, one) for one in (np.zeros(3), np.eye(3)[side])]
    along = frame[1] - frame[0]
    corners = scene.triangles(vehicle, name).reshape(-1, 3)
    heights = corners @ along
    best = heights.min() if witness.label.startswith("least") else heights.max()
    ends = corners[np.abs(heights - best) <= closeness(scene, vehicle, name)]
    off = float(np.linalg.norm(ends - witness.point, axis=1).min())
    near = closeness(scene, vehicle, name)
    return confirm(what, off <= near, f"{off:.6f} mm from the outermost corner")
