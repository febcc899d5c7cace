"""Bolts and plugs handled while some parts are there: drawn, turned, pulled.

Each answer is the room or travel that is missing (negative) or left, mm, as read from the meshes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.project.connectors import ConnectorEntry
from geomcheck.project.entries import FastenerEntry
from geomcheck.standards import clearance_hole, hands, screw, washers
from geomcheck.verify.fasten.axis import view
from geomcheck.verify.fasten.plug import Plug
from geomcheck.verify.fasten.room import ARM, About, Column, frame_of
from geomcheck.verify.fasten.swing import Swing, blades
from geomcheck.verify.fasten.toolset import Tool, tools_for
from geomcheck.verify.fasten.work import Job
from geomcheck.verify.plain.simple import FloatArray

#: Looking begins so far above a bolt's seat, and above a socket's rim, mm.
SEAT, RIM = 0.3, 0.5
#: Ratios where a table has no row: washer and clearance hole over the thread.
WASHER, HOLE = 2.25, 1.12
#: Nothing farther than this is looked at: it is room enough, mm.
FAR = 2000.0
#: Directions in which a handle, fingers, and a way out for a finger are tried.
ARCS, PINCHES, WAYS = 72, 36, 80


class Bolt:
    """A bolt in its place.

    Parameters
    ----------
    job : Job
    entry : FastenerEntry
    """

    def __init__(self, job: Job, entry: FastenerEntry) -> None:
        self.job, self.scene, self.vehicle = job, job.scene, job.vehicle
        self.entry, self.part, self.room = entry, entry.part, entry.room
        self.row = screw(entry.head, entry.size)
        seat = self._seat()
        self.height = float(seat.get("height") or 0.0)
        self.start = SEAT + float(seat.get("sagitta") or 0.0) + 1e-6
        axis = np.array(entry.axis, dtype=np.float64)
        self.axis = axis / np.linalg.norm(axis)
        self.foot = np.array(entry.at) + self.height * self.axis
        self.frame = frame_of(self.foot, self.axis)
        self.top = entry.washer + self.row.head_height
        self.tip = max(entry.length - entry.washer, 0.0)

    def _seat(self) -> dict[str, Any]:
        """The seat as it is told of, and re-checked, where the bolt's tools are asked for."""
        for one in self.job.scene.findings:
            told: Any = one.details.get("seat")
            same = one.vehicle == self.job.vehicle and one.subject == f'bolt "{self.entry.name}"'
            if same and told and one.code == "fasten-reach":
                return dict(told)
        entry = self.job.scene.entry(self.job.vehicle, self.entry.part)[0]
        return {"height": 0.0, "sagitta": entry.sagitta or 0.0}

    @property
    def rest(self) -> float:
        """Where a tool rests above the seat, mm."""
        over = self.row.flange_edge or 0.0 if self.row.drive == "hexagon" else self.row.head_height
        return self.entry.washer + over

    def stack(self) -> list[tuple[float, float]]:
        """Radius and top of what travels: the head, and a washer under it."""
        found = [(self.row.head_diameter / 2.0, self.top)]
        if self.entry.washer > 0.0:
            known = {row.size: row.outside_diameter / 2.0 for row in washers()}
            wide = known.get(self.row.size, WASHER * self.row.thread_diameter / 2.0)
            found.append((wide, self.entry.washer))
        return found

    def about(self, names: Sequence[str], reach: float, frame: FloatArray | None = None) -> About:
        """Some parts in the bolt's coordinates."""
        chosen = self.frame if frame is None else frame
        return About(self.scene, self.vehicle, names, chosen, reach)

    def travel(self, names: Sequence[str]) -> float:
        """How far head and washer travel out until they meet metal, mm."""
        about = self.about(names, max(radius for radius, _ in self.stack()) + 1.0)
        if about.holder(about.world(0.0, 0.0, self.start)) is not None:
            return self.start - self.top
        return min(
            about.lowest([Column(0.0, 0.0, self.start, np.inf, radius)]) - top
            for radius, top in self.stack()
        )

    def shank(self, names: Sequence[str]) -> float:
        """Room about the shank in what it passes freely, mm."""
        into = "" if self.entry.nut is not None else self.entry.into
        passed = [n for n in names if (n == self.entry.part if into is None else n != into)]
        if self.tip <= 0.0 or not passed:
            return FAR
        radius = self.row.thread_diameter / 2.0
        about = self.about(passed, radius + 11.0)
        foot = about.world(0.0, 0.0, -min(0.5, 0.5 * self.tip))
        if about.holder(foot) is not None:
            return -radius
        return about.least([Column(0.0, 0.0, -self.tip, 0.0, radius)], 10.0)[0]

    def drawn(self, names: Sequence[str]) -> float:
        """What is left of its way out, or of the room about its shank: the lesser, mm."""
        return min(self.travel(names) - self.entry.length, self.shank(names))

    def raised(self, theirs: Sequence[str]) -> float:
        """How far it stands raised, loaded first, until its tip is clear of what stays, mm."""
        down = frame_of(self.foot, -self.axis)
        try:
            hole = clearance_hole(self.row.size).diameter / 2.0
        except InputError:
            hole = HOLE * self.row.thread_diameter / 2.0
        thread = self.row.thread_diameter / 2.0
        into = "" if self.entry.nut is not None else self.entry.into
        deepest = self.tip
        for name in theirs:
            radius = hole if into is None or name == into else thread
            about = self.about([name], radius + 1.0, down)
            deepest = min(deepest, about.lowest([Column(0.0, 0.0, 0.0, np.inf, radius)]))
        return self.tip - deepest

    def body(self, lift: float) -> FloatArray:
        """(n, 3, 3) the bolt raised by ``lift``, as prisms that hold its cylinders."""
        rows = [(lift - self.tip, lift, self.row.thread_diameter / 2.0)]
        low = lift
        for radius, top in self.stack()[::-1]:
            rows.append((low, lift + top, radius))
            low = lift + top
        return prisms(self.frame, rows)

    def tools(self) -> dict[str, Tool]:
        """The tools that may turn it, upright ones."""
        known = tools_for(self.job.scene.project, self.entry, {})
        return {name: tool for name, tool in known.items() if tool.tilt == 0.0}

    def stands(self, tool: Tool, names: Sequence[str], beyond: float = 1.0) -> float:
        """Room about a tool where it stands and comes off, less what is wanted, mm.

        More than ``beyond`` is not told apart.
        """
        lift = 0.0 if tool.aside > 0.0 else self.row.head_height
        columns = [
            Column(0.0, 0.0, max(self.rest + a, self.start), self.rest + b + lift, d / 2.0)
            for a, b, d in (*tool.base, *tool.rows)
            if self.rest + b + lift > self.start
        ]
        widest = max(one.radius for one in columns)
        about = self.about(names, widest + self.room + beyond + 2.0)
        if about.holder(about.world(0.0, 0.0, columns[0].low)) is not None:
            return -widest
        return about.least(columns, self.room + beyond)[0] - self.room

    def swing(self, tool: Tool, names: Sequence[str]) -> Swing:
        """A tool's handle, with the room wanted round it."""
        lift = 0.0 if tool.aside > 0.0 else self.row.head_height
        bars = [one.grown(self.room) for one in blades(tool, self.rest, lift)]
        reach = max(one.outer for one in bars) + 5.0
        seen = view(self.scene, self.vehicle, self.foot, self.axis, reach, names=names)
        return Swing(seen, bars, self.start)

    def turns(self, tool: Tool, names: Sequence[str]) -> bool:
        """Whether somewhere the handle has the arc that it needs."""
        if not tool.bars:
            return True
        swing = self.swing(tool, names)
        return any(swing.free(360.0 * k / ARCS, tool.arc) for k in range(ARCS))

    def no_turn(self, tool: Tool, names: Sequence[str]) -> bool:
        """Whether surely nowhere the handle has the arc that it needs."""
        return bool(tool.bars) and self.swing(tool, names).largest(tool.arc) < tool.arc

    def top_of(self, tool: Tool) -> FloatArray:
        """The place a finger comes to: a little over the tool."""
        high = max([row[1] for row in tool.rows] + [bar[1] for bar in tool.bars])
        found: FloatArray = self.foot + (self.rest + high + 1.0) * self.axis
        return found


def prisms(frame: FloatArray, rows: Sequence[tuple[float, float, float]]) -> FloatArray:
    """(n, 3, 3) closed prisms of 24 sides round cylinders (from, to, radius) about an axis."""
    turn = np.arange(24) * (2.0 * math.pi / 24)
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1) / math.cos(math.pi / 24)
    found = []
    for low, high, radius in rows:
        if high <= low:
            continue
        a = np.column_stack([radius * ring, np.full(24, low)])
        b = np.column_stack([radius * ring, np.full(24, high)])
        c, d = np.roll(a, -1, axis=0), np.roll(b, -1, axis=0)
        foot, top = np.tile([0.0, 0.0, low], (24, 1)), np.tile([0.0, 0.0, high], (24, 1))
        for face in ((a, c, d), (a, d, b), (foot, c, a), (top, b, d)):
            found.append(np.stack(face, axis=1))
    solid: FloatArray = frame[0] + np.concatenate(found) @ frame[1:]
    return solid


def plugged(job: Job, entry: ConnectorEntry, names: Sequence[str]) -> float:
    """Room about body, cable and fingers, over the stroke, less what is wanted, mm."""
    plug, about = _about(job, entry, names)
    feet = [about.world(u, v, plug.start) for u, v in plug.foot()]
    if any(about.holder(foot) is not None for foot in feet):
        return -plug.radius
    columns = plug.body(plug.pulled) + plug.boot(entry.stroke)
    least = about.least(columns, entry.room + 1.0)[0] - entry.room
    if least < 0.0 or entry.grip <= 0.0 or entry.finger <= 0.0:
        return least
    best = -np.inf
    for k in range(PINCHES):
        fingers = plug.fingers(k * 180.0 / PINCHES)
        half = 0.5 * (fingers[0].low + fingers[0].high)
        if any(about.holder(about.world(one.u, one.v, half)) for one in fingers):
            continue
        best = max(best, about.least(fingers, entry.room + 1.0)[0] - entry.room)
        if best >= 0.0:
            break
    return min(least, best)


def plug_stuck(job: Job, entry: ConnectorEntry, names: Sequence[str]) -> float:
    """Room about body and cable alone, less what is wanted, mm."""
    plug, about = _about(job, entry, names)
    columns = plug.body(plug.pulled) + plug.boot(entry.stroke)
    return about.least(columns, entry.room + 1.0)[0] - entry.room


def _about(job: Job, entry: ConnectorEntry, names: Sequence[str]) -> tuple[Plug, About]:
    declared = job.scene.entry(job.vehicle, entry.part)[0].sagitta
    plug = Plug(entry, RIM + (declared or 0.0) + 1e-6)
    chosen = [name for name in names if name not in entry.itself]
    without = {entry.part: plug.spigot} if entry.bore else None
    reach = plug.radius + entry.finger + entry.room + 3.0
    return plug, About(job.scene, job.vehicle, chosen, plug.frame, reach, without)


def plug_top(entry: ConnectorEntry) -> FloatArray:
    """The place a finger comes to: a little beyond the pulled plug."""
    axis = np.array(entry.axis, dtype=np.float64)
    far = entry.length + entry.stroke + 1.0
    found: FloatArray = np.array(entry.at) + far * axis / np.linalg.norm(axis)
    return found


def finger_comes(job: Job, names: Sequence[str], place: FloatArray, axis: Any) -> bool:
    """Whether a straight way as thick as a finger leads out from a place."""
    radius = hands()[0].finger / 2.0
    up = np.array(axis, dtype=np.float64)
    frame = frame_of(place, up)
    for rise in (0.0, radius + 0.5):
        start = place + rise * up
        line = About(job.scene, job.vehicle, names, frame, 1.0)
        if rise > 0.0 and line.least([Column(0.0, 0.0, 0.0, rise, 0.0)], 1.0)[0] <= 0.0:
            continue
        if line.holder(start) is not None:
            continue
        turn = np.arange(WAYS) * (math.pi * (3.0 - math.sqrt(5.0)))
        high = 1.0 - 2.0 * np.arange(WAYS) / (WAYS - 1.0)
        flat = np.sqrt(np.maximum(1.0 - high * high, 0.0))
        for way in np.stack([flat * np.cos(turn), flat * np.sin(turn), high], axis=1):
            out = About(job.scene, job.vehicle, names, frame_of(start, way @ frame[1:]), radius)
            if out.least([Column(0.0, 0.0, 0.0, ARM, radius)], 1.0)[0] >= 0.0:
                return True
    return False
