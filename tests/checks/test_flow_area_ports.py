"""Ducts whose path is found by itself, from an inlet and outlets."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.checks import flow_area
from geomcheck.errors import ProjectError
from geomcheck.finding import Finding, Verdict

DOWN, UP = [0, 0, -1], [0, 0, 1]
INLET = {"at": [0, 0, 0], "normal": DOWN}
OUTLET = {"at": [0, 0, 200], "normal": UP}


def polygon(radius: float, sections: int) -> float:
    """Area of a regular polygon: (N / 2) r^2 sin(2 pi / N)."""
    return 0.5 * sections * radius**2 * math.sin(2.0 * math.pi / sections)


def tube(inner: float = 40.0, height: float = 200.0) -> trimesh.Trimesh:
    made = trimesh.creation.annulus(inner, inner + 6, height, sections=64)
    made.apply_translation([0, 0, 0.5 * height])
    return made


def asked(part: Any, assembly: Any, wall: trimesh.Trimesh, **duct: Any) -> list[Finding]:
    entry = {"name": "inlet", "walls": ["casting"], "spacing": 10.0} | duct
    made = assembly(part("casting", wall, role="housing", sagitta=0.0), ducts=[entry])
    return list(flow_area.run(made, flow_area.Settings()))


@pytest.mark.parametrize(
    ("inlet", "outlet"),
    [
        (INLET, OUTLET),
        ({"at": [20, -10, 0], "normal": DOWN}, {"at": [-20, 10, 200], "normal": UP}),
        ({"at": [43, 0, 0]}, {"at": [0, 43, 200]}),  # picked on the flat ring
    ],
)
def test_a_pipe_needs_no_path(part: Any, assembly: Any, inlet: Any, outlet: Any) -> None:
    (found,) = asked(part, assembly, tube(), inlet=inlet, outlet=[outlet], least_area=4900.0)
    assert found.verdict is Verdict.PASS
    want = polygon(40, 64)
    assert found.quantity is not None
    assert found.quantity.low <= want <= found.quantity.high * (1 + 1e-12)
    assert found.quantity.value == pytest.approx(want, rel=1e-5)
    assert found.quantity.value - found.quantity.low < 0.01 * want
    path = np.array(found.details["path"])
    assert np.abs(path[:, :2]).max() < 0.1
    # A hair inside the ports.
    assert path[[0, -1], 2] == pytest.approx([0.0, 200.0], abs=0.1)


def test_a_void_given_as_a_solid(part: Any, assembly: Any) -> None:
    void = trimesh.creation.cylinder(40.0, 200.0, sections=64).apply_translation([0, 0, 100])
    (found,) = asked(
        part, assembly, void, inlet=INLET, outlet=[OUTLET], void=True, least_area=4900.0
    )
    assert found.verdict is Verdict.PASS
    assert found.quantity is not None
    assert found.quantity.value == pytest.approx(polygon(40, 64), rel=1e-5)
    assert found.quantity.value - found.quantity.low < 0.01 * found.quantity.value


def test_a_leak_is_named_and_nothing_measured(part: Any, assembly: Any) -> None:
    lower, upper = tube(height=99.0), tube(height=99.0).apply_translation([0, 0, 101])
    walls = trimesh.util.concatenate([lower, upper])
    (found,) = asked(part, assembly, walls, inlet=INLET, outlet=[OUTLET], least_area=4900.0)
    assert found.verdict is Verdict.UNDECIDED
    assert found.quantity is None
    assert "leaks" in found.message and "2.0" in found.message


def test_a_gap_that_is_sealed_is_named(part: Any, assembly: Any) -> None:
    lower, upper = tube(height=99.9), tube(height=99.9).apply_translation([0, 0, 100.1])
    walls = trimesh.util.concatenate([lower, upper])
    found = asked(part, assembly, walls, inlet=INLET, outlet=[OUTLET], seal=0.5, least_area=4900.0)
    assert "of 0.20 mm at (" in found[0].message and "taken as sealed" in found[0].message


def test_two_outlets_each_have_a_path(part: Any, assembly: Any) -> None:
    """A box with two square pipes of 30 out of its top, and a square inlet of 60 beneath."""

    def block(x: tuple[float, float], y: float, z: tuple[float, float]) -> trimesh.Trimesh:
        return trimesh.creation.box(bounds=[[x[0], -y, z[0]], [x[1], y, z[1]]])

    void = trimesh.boolean.union(
        [
            block((-30, 30), 30, (0, 110)),
            block((-60, 60), 30, (80, 140)),
            block((-60, -30), 15, (130, 240)),
            block((30, 60), 15, (130, 240)),
        ],
        engine="manifold",
    )
    found = asked(
        part,
        assembly,
        void,
        inlet={"at": [0, 0, 0], "normal": DOWN},
        outlet=[
            {"name": "left", "at": [-45, 0, 240], "normal": UP},
            {"name": "right", "at": [45, 0, 240], "normal": UP},
        ],
        void=True,
    )
    least = [f for f in found if f.quantity is not None and f.quantity.name == "least area"]
    assert [f.subject for f in least] == ['duct "inlet" to "left"', 'duct "inlet" to "right"']
    for finding in least:
        assert finding.quantity is not None
        # The pipes of 30 x 30 are the narrowest, whatever is measured on the way.
        assert finding.quantity.value == pytest.approx(900.0, rel=1e-3)
    ends = [np.array(f.details["path"])[-1] for f in least]
    assert ends[0] == pytest.approx([-45, 0, 240], abs=0.05)
    assert ends[1] == pytest.approx([45, 0, 240], abs=0.05)


@pytest.mark.parametrize(
    ("duct", "said"),
    [
        ({"inlet": INLET | {"normal": UP}, "outlet": [OUTLET]}, "points into the duct"),
        ({"inlet": {"at": [43, 0, 50], "normal": DOWN}, "outlet": [OUTLET]}, "metal"),
        ({"inlet": {"at": [99, 0, 50], "normal": DOWN}, "outlet": [OUTLET]}, "inlet"),
    ],
)
def test_a_port_that_is_none(part: Any, assembly: Any, duct: Any, said: str) -> None:
    with pytest.raises(ProjectError, match=said) as caught:
        asked(part, assembly, tube(), **duct)
    assert 'duct "inlet"' in caught.value.entry and caught.value.line


@pytest.mark.parametrize(
    ("duct", "said"),
    [
        ({}, "give a path"),
        ({"path": [[0, 0, 0], [0, 0, 200]], "inlet": INLET, "outlet": [OUTLET]}, "one of the two"),
        ({"inlet": INLET}, "an inlet and an outlet"),
        ({"outlet": [OUTLET]}, "an inlet and an outlet"),
        ({"path": [[0, 0, 0]]}, "at least 2 points"),
        ({"inlet": INLET, "outlet": [OUTLET, OUTLET]}, "a name of its own"),
    ],
)
def test_a_duct_says_one_way_where_it_runs(part: Any, assembly: Any, duct: Any, said: str) -> None:
    with pytest.raises(Exception, match=said):
        asked(part, assembly, tube(), **duct)
