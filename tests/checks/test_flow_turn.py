"""Turn, widening and sight of a duct: closed forms of pipes, cones and a torus bend."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.checks import flow_turn
from geomcheck.finding import Finding, Verdict


def asked(part: Any, assembly: Any, wall: trimesh.Trimesh, path: Any, **turn: Any) -> list[Finding]:
    entry = {"name": "inlet", "walls": ["casting"], "path": path, "spacing": 4.0, "turn": turn}
    made = assembly(part("casting", wall, role="housing", sagitta=0.0), ducts=[entry])
    found = list(flow_turn.run(made, flow_turn.Settings()))
    assert all(f.entry is not None and 'duct "inlet"' in f.entry.entry for f in found)
    return found


def pipe(length: float = 200.0) -> trimesh.Trimesh:
    made = trimesh.creation.annulus(40, 46, length, sections=96)
    return made.apply_translation([0, 0, 0.5 * length])


def cone(r0: float, r1: float, length: float) -> trimesh.Trimesh:
    """A tapered bore in a round block of radius 60."""
    profile = [(r0, 0.0), (60.0, 0.0), (60.0, length), (r1, length), (r0, 0.0)]
    return trimesh.creation.revolve(profile, sections=96)


def elbow(radius: float = 80.0) -> trimesh.Trimesh:
    """A quarter torus, bore 40 about a circle of ``radius`` in the plane of x and z, wall 6."""
    around = np.linspace(0, 2 * np.pi, 97)[:-1]
    along = np.radians(np.linspace(0, 90, 61))

    def sheet(r: float) -> np.ndarray:
        out = radius - r * np.cos(around)
        return np.stack(
            [
                radius - np.outer(np.cos(along), out),
                np.tile(r * np.sin(around), (len(along), 1)),
                np.outer(np.sin(along), out),
            ],
            axis=-1,
        )

    inner, outer = sheet(40.0), sheet(46.0)
    n, m = len(along), len(around)
    points = np.concatenate([inner.reshape(-1, 3), outer.reshape(-1, 3)])
    faces = []
    for i in range(n - 1):
        for j in range(m):
            a, b, c, d = i * m + j, i * m + (j + 1) % m, (i + 1) * m + j, (i + 1) * m + (j + 1) % m
            faces += [[a, c, b], [b, c, d]]
            a, b, c, d = (k + n * m for k in (a, b, c, d))
            faces += [[a, b, c], [b, d, c]]
    for row in (0, n - 1):
        for j in range(m):
            a, b = row * m + j, row * m + (j + 1) % m
            c, d = a + n * m, b + n * m
            faces += [[a, b, c], [b, d, c]] if row == 0 else [[a, c, b], [b, c, d]]
    made = trimesh.Trimesh(points, faces, process=False)
    if made.volume < 0:
        made.invert()
    assert made.is_watertight and made.is_winding_consistent
    return made


ARC = [[80 - 80 * math.cos(t), 0.0, 80 * math.sin(t)] for t in np.radians(np.linspace(0, 90, 19))]


def test_a_straight_pipe_sees_all_of_its_end_and_has_no_bend(part: Any, assembly: Any) -> None:
    found = asked(
        part, assembly, pipe(), [[0, 0, 0], [0, 0, 200]],
        least_inner_radius=10.0, most_cone=5.0, least_sight=99.0,
    )  # fmt: skip
    assert [f.verdict for f in found] == [Verdict.PASS] * 3
    bends, widening, sight = found
    assert "no bend" in bends.message
    assert widening.quantity is not None and widening.quantity.value == pytest.approx(0, abs=1e-6)
    assert sight.quantity is not None and sight.quantity.value == 100.0
    # Coaxial discs: (X - sqrt(X^2 - 4)) / 2 with X = 2 + (L / a)^2 (Howell's catalogue, C-41).
    x = 2.0 + (200.0 / 40.0) ** 2
    assert sight.details["view_factor"] == pytest.approx(
        50.0 * (x - math.sqrt(x * x - 4.0)), rel=0.02
    )


def test_a_cone_has_its_own_angle(part: Any, assembly: Any) -> None:
    """Radius 30 to 40 over 100 mm: 2 atan(0.1) = 11.42 degrees."""
    want = math.degrees(2 * math.atan(0.1))
    for limit, verdict in ((12.0, Verdict.PASS), (10.0, Verdict.FAIL), (None, None)):
        turn = {} if limit is None else {"most_cone": limit}
        found = asked(part, assembly, cone(30, 40, 100), [[0, 0, 0], [0, 0, 100]], **turn)
        widening = found[1]
        assert widening.verdict is (verdict or Verdict.NOT_APPLICABLE)
        assert widening.quantity is not None
        assert widening.quantity.value == pytest.approx(want, rel=2e-3)


def seen_in_a_torus() -> float:
    """Per cent of lines between the two discs that stay within 40 of the circle of 80."""
    rng = np.random.default_rng(5)
    r, turn = 40 * np.sqrt(rng.random((2, 20000))), 2 * np.pi * rng.random((2, 20000))
    u, v = r * np.cos(turn), r * np.sin(turn)
    nothing = np.zeros(20000)
    a = np.stack([u[0], v[0], nothing], axis=1)
    b = np.stack([nothing + 80, v[1], 80 + u[1]], axis=1)
    x, y, z = np.moveaxis(a[:, None] + np.linspace(0, 1, 120)[:, None] * (b - a)[:, None], -1, 0)
    off = np.hypot(np.hypot(x - 80, z) - 80, y)
    return float(100 * (off <= 40 * (1 + 1e-9)).all(axis=1).mean())


def test_an_elbow_has_its_turn_and_inner_radius(part: Any, assembly: Any) -> None:
    """Quarter turn on a radius of 80 with a bore of 40: the inner wall's radius is 40."""
    found = asked(part, assembly, elbow(), ARC, least_inner_radius=35.0, least_sight=95.0)
    bend, sight = found[0], found[-1]
    assert bend.verdict is Verdict.PASS
    assert bend.quantity is not None
    assert bend.quantity.value == pytest.approx(40.0, rel=0.01)
    assert bend.details["turn_degrees"] == pytest.approx(90.0, abs=3.0)
    assert bend.details["inner_radius_over_diameter"] == pytest.approx(0.5, rel=0.02)
    assert sight.verdict is Verdict.FAIL
    assert sight.quantity is not None
    assert sight.quantity.value == pytest.approx(seen_in_a_torus(), abs=1.5)
    tighter = asked(part, assembly, elbow(), ARC, least_inner_radius=45.0)
    assert tighter[0].verdict is Verdict.FAIL and tighter[0].remedy


def test_a_torn_duct_is_undecided(part: Any, assembly: Any) -> None:
    wall = pipe()
    inner = np.linalg.norm(wall.triangles_center[:, :2], axis=1) < 41
    wall = trimesh.Trimesh(
        wall.vertices, np.delete(wall.faces, np.flatnonzero(inner)[::2], axis=0), process=False
    )
    found = asked(part, assembly, wall, [[0, 0, 0], [0, 0, 200]], least_inner_radius=10.0)
    assert found and all(f.verdict is Verdict.UNDECIDED for f in found[:1])
    assert not any(f.verdict is Verdict.PASS for f in found)


def test_nothing_is_said_of_ducts_that_do_not_ask(part: Any, assembly: Any) -> None:
    entry = {"name": "inlet", "walls": ["casting"], "path": [[0, 0, 0], [0, 0, 200]]}
    made = assembly(part("casting", pipe(), role="housing"), ducts=[entry])
    assert list(flow_turn.run(made, flow_turn.Settings())) == []
