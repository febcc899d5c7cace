"""Tool access in random scenes against fcl: cylinders and boxes in poses two degrees apart.

No tool may pass that meets metal in a sampled pose of the arc it was given, and none may fail that
is free, with its handle a little wider and longer, over more than the arc it needs.
"""

from __future__ import annotations

import math

import fcl
import numpy as np
import pytest
import trimesh
from trimesh.transformations import random_rotation_matrix

from geomcheck.fasten import Fastener, Obstacle, choose_tools
from geomcheck.fasten.access import access_each
from geomcheck.fasten.reach import LIFT
from geomcheck.fasten.swing import swept
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

STEP = 2.0
TINY = 1e-4
WIDER = 0.3
ROUND = np.arange(0.0, 360.0, STEP)
NAMES = {
    "ISO 4762": ["hex key 6", "hex key 6, short arm in the head", "bit socket 6, 3/8 drive"],
    "ISO 4014": ["socket 13, 3/8 drive", "ring spanner 13", "open spanner 13"],
}


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def between(start, end, radius, sections=10):
    return trimesh.creation.cylinder(radius, segment=[start, end], sections=sections)


def scene(rng):
    """Plates, posts, rods across, boxes and domes about a bolt at the origin, its axis up."""
    found = [trimesh.creation.annulus(r_min=4.5, r_max=20.0, height=10.0, sections=32)]
    found[0].apply_translation([0, 0, -5])
    for _ in range(int(rng.integers(1, 5))):
        kind = rng.integers(6)
        turn = rng.uniform(0.0, 2.0 * math.pi)
        way = np.array([math.cos(turn), math.sin(turn), 0.0])
        side = np.array([-way[1], way[0], 0.0])
        far = rng.uniform(6.0, 90.0)
        if kind == 0:  # a wall
            mesh = box([far, -300, -20], [far + 5, 300, rng.uniform(5.0, 200.0)])
            mesh.apply_transform(trimesh.transformations.rotation_matrix(turn, [0, 0, 1]))
        elif kind == 1:  # a roof, all over or from a line on
            high = rng.uniform(9.0, 160.0)
            near = -300.0 if rng.random() < 0.4 else far
            mesh = box([near, -300, high], [300, 300, high + 4])
            mesh.apply_transform(trimesh.transformations.rotation_matrix(turn, [0, 0, 1]))
        elif kind == 2:  # a post
            mesh = between(far * way, far * way + [0, 0, rng.uniform(5, 200)], rng.uniform(0.5, 8))
        elif kind == 3:  # a thin rod across
            middle = far * way + [0, 0, rng.uniform(2.0, 120.0)]
            lean = side + np.array([0.0, 0.0, 0.3 * rng.normal()])
            mesh = between(middle - 200 * lean, middle + 200 * lean, rng.uniform(0.3, 4.0))
        elif kind == 4:  # a box anyhow
            mesh = trimesh.creation.box(rng.uniform(3.0, 60.0, 3))
            mesh.apply_transform(random_rotation_matrix(rng.random(3)))
            mesh.apply_translation((far + 10.0) * way + [0, 0, rng.uniform(0.0, 100.0)])
        else:  # a dome, open below
            wide, high = rng.uniform(15.0, 260.0), rng.uniform(20.0, 200.0)
            mesh = trimesh.creation.annulus(r_min=wide, r_max=wide + 3, height=high, sections=24)
            lid = trimesh.creation.cylinder(wide + 3, 3.0, sections=24)
            lid.apply_translation([0, 0, 0.5 * high + 1.5])
            mesh = trimesh.boolean.union([mesh, lid], engine="manifold")
            mesh.apply_translation([0, 0, 0.5 * high + 1.0])
        found.append(mesh)
    return found


class Reference:
    """The scene for fcl, in the bolt's frame."""

    def __init__(self, meshes):
        self.meshes = meshes
        self.bodies = []
        for mesh in meshes:
            model = fcl.BVHModel()
            model.beginModel(len(mesh.vertices), len(mesh.faces))
            model.addSubModel(mesh.vertices, mesh.faces)
            model.endModel()
            self.bodies.append(fcl.CollisionObject(model, fcl.Transform()))

    def meets(self, shape, turn, middle):
        one = fcl.CollisionObject(shape, fcl.Transform(turn, middle))
        for body in self.bodies:
            if fcl.collide(body, one, fcl.CollisionRequest(), fcl.CollisionResult()) > 0:
                return True
        # fcl sees surfaces only: a shape wholly inside a solid is found by its middle.
        return any(
            (mesh.bounds[0] < middle).all()
            and (middle < mesh.bounds[1]).all()
            and mesh.contains([middle])[0]
            for mesh in self.meshes
        )

    def cylinder(self, low, high, radius):
        if high <= low:
            return False
        shape = fcl.Cylinder(radius, high - low)
        return self.meets(shape, np.eye(3), np.array([0.0, 0.0, 0.5 * (low + high)]))

    def bar(self, angle, low, high, half, inner, outer):
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        middle = turn @ [0.5 * (inner + outer), 0.0, 0.5 * (low + high)]
        return self.meets(fcl.Box(outer - inner, 2.0 * half, high - low), turn, middle)


def longest_run(free):
    """Degrees from the first to the last of the most free poses in a row, all round."""
    if free.all():
        return 360.0
    twice = np.concatenate([free, free]).tolist()
    best = run = 0
    for one in twice:
        run = run + 1 if one else 0
        best = max(best, run)
    return STEP * max(best - 1, 0)


def look(seed, head):
    """Verdicts that contradict fcl, and how many tools stood, turned and did not."""
    rng = np.random.default_rng([seed, len(head), ord(head[-1])])
    meshes = scene(rng)
    move = random_rotation_matrix(rng.random(3))
    move[:3, 3] = rng.uniform(-500.0, 500.0, 3)
    bolt = Fastener.of(head, "M8", move[:3, 3], move[:3, 2], length=30)
    # The frame's own u and v, so that angles are the same here and there.
    frame = bolt.frame()
    inverse = np.eye(4)
    inverse[:3, :3] = frame[1:]
    inverse[:3, 3] = -frame[1:] @ frame[0]
    parts = []
    for number, mesh in enumerate(meshes):
        moved = mesh.copy().apply_transform(move)
        exact = Sagitta.declared(0.0, len(moved.faces))
        tree = TriangleTree(np.array(moved.triangles))
        parts.append(Obstacle(f"part {number}", tree, exact, True))
    local = Reference([mesh.copy().apply_transform(inverse @ move) for mesh in meshes])
    tools = [choose_tools(bolt.screw, [name])[0] for name in NAMES[head]]
    rest = bolt.rest
    counts, wrong = np.zeros(4, dtype=int), []
    for found in access_each(bolt, tools, parts, within=40.0):
        tool = found.tool
        lift = 0.0 if tool.aside > 0.0 else bolt.screw.head_height
        rows = [(max(rest + a, LIFT), rest + b + lift, 0.5 * d) for a, b, d in tool.profile]
        shrunk = any(local.cylinder(a + TINY, b - TINY, r - TINY) for a, b, r in rows)
        grown = any(local.cylinder(a - TINY, b + TINY, r + TINY) for a, b, r in rows)
        if found.stands.low >= 0.0 and shrunk:
            wrong.append((seed, tool.name, "stands, but fcl meets", found.stands.room))
        if found.stands.high < 0.0 and not grown:
            wrong.append((seed, tool.name, "does not stand, but fcl is free", found.stands.room))
        turns = found.turns
        counts[0 if found.stands.low >= 0.0 else 1] += 1
        if found.stands.low < 0.0 or turns is None:
            continue
        if turns.low >= turns.needed:
            counts[2] += 1
            begin, end = turns.begin, turns.end
            if turns.free >= 360.0:
                begin, end = 0.0, 360.0
            if end - begin < turns.needed - 1e-6:
                wrong.append((seed, tool.name, "passes with too small an arc", end - begin))
            for angle in np.arange(begin + 1e-3, end - 1e-3, STEP):
                for b in tool.bars:
                    low, high = max(rest + b.low, LIFT), rest + b.high + lift
                    half = 0.5 * b.width - TINY
                    if local.bar(
                        angle, low + TINY, high - TINY, half, b.inner + TINY, b.outer - TINY
                    ):
                        wrong.append((seed, tool.name, "turns, but fcl meets at", angle))
                        break
        elif turns.high < turns.needed:
            counts[3] += 1
            bars = swept(tool, rest, lift)
            free = np.array(
                [
                    not any(
                        local.bar(
                            angle,
                            max(b.low, LIFT),
                            b.high + TINY,
                            b.half_width + WIDER,
                            # Its root is round about the axis.
                            -b.half_width if b.r_from < b.half_width else b.r_from - WIDER,
                            b.r_to + WIDER,
                        )
                        for b in bars
                    )
                    for angle in ROUND
                ]
            )
            if longest_run(free) > turns.needed + 2.0 * STEP:
                wrong.append((seed, tool.name, "does not turn, but fcl is free", longest_run(free)))
    return wrong, counts


@pytest.mark.parametrize("head", sorted(NAMES))
def test_no_verdict_contradicts_sampled_poses(head):
    every, counts = [], np.zeros(4, dtype=int)
    for seed in range(20):
        wrong, seen = look(seed, head)
        every += wrong
        counts += seen
    assert every == []
    # Stood, did not stand, turned, did not turn.
    assert (counts > 1).all()
