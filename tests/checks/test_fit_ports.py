"""The fit-ports check: plates with round ports of known place and size."""

from __future__ import annotations

import json

import pytest
import trimesh

from geomcheck.checks.fit_ports import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict

MATE = {
    "name": "inlet",
    "parts": ["casting", "manifold"],
    "at": [45, 45, 0],
    "normal": [0, 0, -1],
    "gasket": 1.5,
}
PORT = {"name": "port 1", "mate": "inlet", "at": [0, 0, 0], "land": 8.0}


def plate(bottom, top, *holes, segments=64):
    block = trimesh.creation.box(bounds=[[-50, -50, bottom], [50, 50, top]])
    tools = [
        trimesh.creation.cylinder(r, top - bottom + 4, sections=segments).apply_translation(
            [x, y, 0.5 * (top + bottom)]
        )
        for x, y, r in holes
    ]
    return trimesh.boolean.difference([block, *tools], engine="manifold") if tools else block


@pytest.fixture
def ask(part, assembly):
    def make(upper, lower, sagitta=0.0, mates=(MATE,), **changes):
        car = assembly(
            part("casting", upper, role="housing", sagitta=sagitta),
            part("manifold", lower, sagitta=sagitta),
            mates=list(mates),
            port_joints=[PORT | changes],
        )
        return list(run(car, Settings()))

    return make


def test_ports_over_each_other(ask):
    edge, land = ask(plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0, 0, 20)))
    assert (edge.verdict, land.verdict) == (Verdict.PASS, Verdict.PASS)
    assert edge.code == CODE and edge.subject == 'port "port 1": edge in the flow'
    assert edge.quantity.value == pytest.approx(0.0, abs=1e-6)
    assert land.quantity.value == pytest.approx(30.0, abs=1e-4)
    assert edge.remedy == land.remedy == ""
    assert land.entry.entry == 'port_joint "port 1"'
    for found in (edge, land):
        json.dumps(dict(found.details))


def test_an_edge_in_the_flow(ask):
    # Downstream is smaller by 1 and 0.5 aside: R - r + s.
    upper, lower = plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0.5, 0, 19))
    edge, _ = ask(upper, lower, flow="first to second")
    assert edge.verdict is Verdict.FAIL
    assert edge.quantity.value == pytest.approx(1.5, abs=0.03)
    assert "edge of manifold stands 1.5" in edge.message and "port of casting" in edge.message
    assert "Take the edge of manifold back" in edge.remedy and "-x" in edge.remedy
    assert edge.witnesses[0].part == "manifold"
    assert edge.witnesses[0].point[0] == pytest.approx(-20, abs=0.1)
    # The other way it is a step back, which is allowed unless said.
    back, _ = ask(upper, lower, flow="second to first")
    assert back.verdict is Verdict.PASS
    _, wider, _ = ask(upper, lower, flow="second to first", step=1.0)
    assert wider.verdict is Verdict.FAIL and "widens from manifold to casting" in wider.message
    assert ask(upper, lower, flow="second to first", step=1.6)[1].verdict is Verdict.PASS
    both, _ = ask(upper, lower)
    assert both.verdict is Verdict.FAIL


def test_the_land(ask):
    holes = [(0, 0, 20), (30, 0, 4.5)]
    edge, land = ask(plate(0, 10, *holes), plate(-12, -1.5, *holes))
    assert edge.verdict is Verdict.PASS
    assert land.verdict is Verdict.FAIL
    assert land.quantity.value == pytest.approx(5.5, abs=1e-4)
    assert "apart by 2.5" in land.remedy
    assert ask(plate(0, 10, *holes), plate(-12, -1.5, *holes), land=5.4)[1].verdict is Verdict.PASS


def test_coarse_facets_leave_it_undecided(ask):
    upper, lower = plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0.4, 0, 20))
    edge, land = ask(upper, lower, sagitta=0.1)
    assert edge.verdict is Verdict.UNDECIDED
    assert edge.quantity.low < 0.5 < edge.quantity.high
    assert "finer chord error" in edge.remedy
    assert land.verdict is Verdict.PASS


def test_no_opening(ask):
    (found,) = ask(plate(0, 10, (0, 0, 20)), plate(-12, -1.5))
    assert found.verdict is Verdict.FAIL
    assert "metal of manifold at the port's point" in found.message
    (aside,) = ask(plate(0, 10, (40, 0, 20)), plate(-12, -1.5, (40, 0, 5)), at=[40, 0, 0])
    assert aside.verdict is Verdict.FAIL and "open to the side" in aside.message


def test_a_scan_may_lack_the_opening(ask):
    solid = plate(-12, -1.5).subdivide().subdivide()
    scan = trimesh.Trimesh(
        solid.vertices, solid.faces[solid.triangles_center[:, 2] > -11], process=False
    )
    (found,) = ask(plate(0, 10, (0, 0, 20)), scan)
    assert found.verdict is Verdict.UNDECIDED


def test_a_mate_that_is_not_there(ask):
    (found,) = ask(plate(0, 10, (0, 0, 20)), plate(-52, -41.5, (0, 0, 20)))
    assert found.verdict is Verdict.UNDECIDED
    assert 'mate "inlet" were not found' in found.message and "manifold" in found.message


def test_an_unknown_mate_is_refused(ask):
    with pytest.raises(ProjectError, match="no mate named 'outlet'") as caught:
        ask(plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0, 0, 20)), mate="outlet")
    assert caught.value.line is not None


def test_no_ports_no_findings(part, assembly):
    car = assembly(part("casting", plate(0, 10), role="housing"))
    assert list(run(car, Settings())) == []
