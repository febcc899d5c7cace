"""The fasten-withdraw check: meshes that pass, fail and cannot be decided."""

from __future__ import annotations

import json

import pytest
import trimesh

from geomcheck.checks.fasten_withdraw import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict


def roof(z):
    return trimesh.creation.box(bounds=[[-99, -99, z], [99, 99, z + 3]])


def flange():
    """A disc of 60 mm with a 9 mm hole about z, its top face at z = 0."""
    mesh = trimesh.creation.annulus(r_min=4.5, r_max=30.0, height=10.0, sections=48)
    mesh.apply_translation([0, 0, -5])
    return mesh


def bolt(**changes):
    entry = {
        "name": "B3",
        "part": "casting",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "size": "M8",
        "head": "ISO 4762",
        "length": 30.0,
    }
    return entry | changes


@pytest.fixture
def ask(part, assembly):
    def make(*others, fastener=None, settings=None, carrier=None, **options):
        parts = [carrier or part("casting", flange(), role="housing"), *others]
        car = assembly(*parts, fasteners=[fastener or bolt()], **options)
        return list(run(car, settings or Settings()))

    return make


def test_it_can_be_drawn(ask, part):
    # The head's top stands at 8 mm, the roof at 40 mm.
    (found,) = ask(part("bonnet", roof(40)))
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'bolt "B3"')
    assert found.quantity.value == pytest.approx(32.0)
    assert found.requirement.limit == 30.0
    assert "can be drawn: 32.00 mm of free travel to bonnet at (" in found.message
    assert found.remedy == ""
    assert found.parts == ("casting", "bonnet")
    json.dumps(dict(found.details))


def test_a_clear_way(ask):
    (found,) = ask()
    assert found.verdict is Verdict.PASS
    assert "nothing stands in its way" in found.message
    assert found.quantity is None  # no figure that looks like a measured travel
    assert found.details["travel"]["at_least"] is True


def test_it_cannot_be_drawn(ask, part):
    (found,) = ask(part("bonnet", roof(30.456)))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == pytest.approx(22.456)
    assert "cannot be drawn: 22.46 mm of free travel" in found.message
    assert "Use a screw no longer than 22.45 mm" in found.remedy
    assert "by 7.55 mm or more" in found.remedy
    assert found.witnesses[0].part == "bonnet"
    assert found.witnesses[0].point[2] == pytest.approx(30.456)


def test_it_cannot_be_decided(ask, part):
    (found,) = ask(part("bonnet", roof(38.1), sagitta=0.3))
    assert found.verdict is Verdict.UNDECIDED
    assert (found.quantity.low, found.quantity.high) == (
        pytest.approx(29.8),
        pytest.approx(30.4),
    )
    assert "between 29.80 and 30.40 mm" in found.message
    assert "Export bonnet with a finer chord error" in found.remedy


def test_a_clear_way_by_a_coarse_wall_is_not_decided(ask, part):
    wall = trimesh.creation.box(bounds=[[6.75, -50, 0], [20, 50, 90]])
    (found,) = ask(part("rail", wall, sagitta=0.3))
    assert found.verdict is Verdict.UNDECIDED
    assert "It cannot be told" in found.message
    assert "rail" in found.remedy


def test_the_margin_counts(ask, part):
    bonnet = part("bonnet", roof(40))
    assert ask(bonnet, settings=Settings(margin=2.0))[0].verdict is Verdict.PASS
    assert ask(bonnet, settings=Settings(margin=2.1))[0].verdict is Verdict.FAIL
    # A low assembly is no obstacle, whatever margin is wanted.
    assert ask(settings=Settings(margin=500.0))[0].verdict is Verdict.PASS


def test_a_head_without_room(ask, part):
    wall = trimesh.creation.box(bounds=[[6.0, -50, 0], [20, 50, 90]])
    (found,) = ask(part("rail", wall))
    assert found.verdict is Verdict.FAIL
    assert "no room on its seat" in found.message
    assert "13.27 mm" in found.message
    assert "rail" in found.remedy


def test_an_open_bonnet_is_out_of_the_way(ask, part):
    bonnet = part("bonnet", roof(20))
    assert ask(bonnet)[0].verdict is Verdict.FAIL
    assert ask(bonnet, entries={"bonnet": {"open_for_tools": True}})[0].verdict is Verdict.PASS


def test_a_far_part_over_the_screw_is_found(ask, part):
    (found,) = ask(part("bonnet", roof(900)), fastener=bolt(length=900.0))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == pytest.approx(892.0)


def test_seats_are_asked_for(ask, part):
    (air,) = ask(fastener=bolt(at=[0.0, 0.0, 4.0]))
    assert air.verdict is Verdict.ERROR
    assert "in the air" in air.message
    (wall,) = ask(fastener=bolt(axis=[0.0, 0.0, -1.0]))
    assert wall.verdict is Verdict.ERROR
    assert "axis = [0, 0, 1]" in wall.remedy
    (coarse,) = ask(carrier=part("casting", flange(), role="housing", sagitta=0.8))
    assert coarse.verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"part": "carter"}, r'part "carter".*Known parts: casting'),
        ({"head": "ISO 1"}, r'no head "ISO 1"'),
        ({"size": "M7"}, r'no size "M7"'),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(ask, changes, said):
    with pytest.raises(ProjectError, match=said) as caught:
        ask(fastener=bolt(**changes))
    assert caught.value.line is not None
