"""Area two ways: a pipe where both are pi a^2, a leak."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.checks import flow_agreement
from geomcheck.finding import Finding, Verdict

DOWN, UP = [0, 0, -1], [0, 0, 1]
INLET = {"at": [0, 0, 0], "normal": DOWN}
OUTLET = {"at": [0, 0, 200], "normal": UP}


def asked(part: Any, assembly: Any, wall: trimesh.Trimesh, **duct: Any) -> list[Finding]:
    entry = {"name": "inlet", "walls": ["casting"], "inlet": INLET, "outlet": [OUTLET]} | duct
    made = assembly(part("casting", wall, role="housing", sagitta=0.0), ducts=[entry])
    return list(flow_agreement.run(made, flow_agreement.Settings()))


def test_a_pipe_has_one_area_both_ways(part: Any, assembly: Any) -> None:
    wall = trimesh.creation.annulus(40, 46, 200, sections=64).apply_translation([0, 0, 100])
    (found,) = asked(part, assembly, wall, least_area=4000.0)
    assert found.verdict is Verdict.NOT_APPLICABLE
    want = 0.5 * 64 * 1600 * math.sin(2 * math.pi / 64)
    for name in ("plane", "level"):
        area = np.array(found.details[name], float)
        assert area == pytest.approx(want, rel=5e-3)
    assert set(found.details["trusted"]) == {"plane"}


def test_a_leak_is_undecided(part: Any, assembly: Any) -> None:
    halves = [
        trimesh.creation.annulus(40, 46, 99, sections=64).apply_translation([0, 0, z])
        for z in (49.5, 150.5)
    ]
    (found,) = asked(part, assembly, trimesh.util.concatenate(halves))
    assert found.verdict is Verdict.UNDECIDED and "leaks" in found.message


def test_a_given_path_is_not_asked(part: Any, assembly: Any) -> None:
    wall = trimesh.creation.annulus(40, 46, 200, sections=64).apply_translation([0, 0, 100])
    entry = {"name": "inlet", "walls": ["casting"], "path": [[0, 0, 0], [0, 0, 200]]}
    made = assembly(part("casting", wall, role="housing"), ducts=[entry])
    assert list(flow_agreement.run(made, flow_agreement.Settings())) == []
