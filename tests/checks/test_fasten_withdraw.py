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


# --- loaded first -----------------------------------------------------------------------------


def manifold(tapped=3.4):
    """A block under the flange with a tapped hole, its face at z = -10."""
    mesh = trimesh.creation.annulus(r_min=tapped, r_max=30.0, height=50.0, sections=48)
    mesh.apply_translation([0, 0, -35])
    return mesh


def test_it_must_be_loaded_first(ask, part):
    (found,) = ask(part("bonnet", roof(30.5)), part("manifold", manifold()))
    assert found.verdict is Verdict.FAIL
    assert found.details["way"] == "load first"
    assert "On the bench, with only the housing and what it carries, it goes in" in found.message
    assert "It goes down raised by 20.00 mm, its tip on manifold" in found.message
    assert 'load = "first"' in found.remedy


def test_loaded_first_it_goes_down_with_the_housing(ask, part):
    others = (part("bonnet", roof(30.5), kind="hot part"), part("manifold", manifold()))
    (found,) = ask(*others, fastener=bolt(load="first", into="manifold"))
    assert found.verdict is Verdict.PASS
    # 22.5 mm free over the head, 20 mm of which its tip takes.
    assert found.quantity.value == pytest.approx(2.5)
    assert found.requirement.source == 'load = "first" of "B3"'
    assert "goes in on the bench: nothing stands in its way" in found.message
    assert "its tip meets manifold at (" in found.message
    assert "stands raised by 20.00 mm until it is screwed in" in found.message
    assert found.details["raised"]["part"] == "manifold"
    assert "let it cool" in found.caution
    assert found.remedy == ""
    json.dumps(dict(found.details))


def test_loaded_first_it_keeps_the_housing_from_going_down(ask, part):
    others = (part("bonnet", roof(27.5)), part("manifold", manifold()))
    (found,) = ask(*others, fastener=bolt(load="first"))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == pytest.approx(-0.5)
    assert "keeps the housing from going down" in found.message
    assert "Use a screw shorter by 0.50 mm or more" in found.remedy
    # Not told to be loaded first, it says as much beforehand.
    (plain,) = ask(*others)
    assert "0.50 mm more than there is room for" in plain.message


def test_loaded_first_but_not_decided(ask, part):
    others = (part("bonnet", roof(28.1), sagitta=0.3), part("manifold", manifold()))
    (found,) = ask(*others, fastener=bolt(load="first"))
    assert found.verdict is Verdict.UNDECIDED
    assert (found.quantity.low, found.quantity.high) == (
        pytest.approx(-0.2),
        pytest.approx(0.4),
    )
    assert "cannot be told whether it lets the housing down" in found.message
    assert "Export bonnet" in found.remedy


def test_loaded_first_where_it_is_not_needed(ask, part):
    (found,) = ask(
        part("bonnet", roof(60)), part("manifold", manifold()), fastener=bolt(load="first")
    )
    assert found.verdict is Verdict.PASS
    assert 'It also goes in in place: load = "first" is needless.' in found.message


def test_it_goes_in_nowhere(ask, part):
    lid = part("lid", roof(30), role="carried")
    (found,) = ask(lid)
    assert found.verdict is Verdict.FAIL
    assert "Nor on the bench: 22.00 mm to lid at (" in found.message
    assert "load" not in found.remedy
    (first,) = ask(lid, fastener=bolt(load="first"))
    assert first.verdict is Verdict.FAIL
    assert first.message.startswith("On the bench, with only the housing and what it carries, too:")


def test_a_bolt_of_the_vehicle_is_not_loaded_first(ask, part):
    bracket = part("bracket", flange())
    base = part(
        "casting", trimesh.creation.box((5, 5, 5)).apply_translation([200, 0, 0]), role="housing"
    )
    (found,) = ask(bracket, part("bonnet", roof(30)), carrier=base, fastener=bolt(part="bracket"))
    assert found.verdict is Verdict.FAIL
    assert "bench" not in found.message
    with pytest.raises(ProjectError, match="does not go down with the housing") as caught:
        ask(bracket, carrier=base, fastener=bolt(part="bracket", load="first"))
    assert caught.value.line is not None


def test_the_shank_is_looked_at_where_its_thread_is_known(ask, part):
    tight = trimesh.creation.annulus(r_min=3.9, r_max=30.0, height=10.0, sections=48)
    tight.apply_translation([0, 0, -5])
    carrier = part("casting", tight, role="housing")
    base = part("manifold", manifold())
    assert ask(base, carrier=carrier)[0].verdict is Verdict.PASS
    (found,) = ask(base, carrier=carrier, fastener=bolt(into="manifold"))
    assert found.verdict is Verdict.FAIL
    assert "The shank of " in found.message and "does not pass casting" in found.message
    assert found.quantity.name == "room about the shank"
    assert 'into = "casting"' in found.remedy
    held = ask(base, carrier=carrier, fastener=bolt(into="casting"))
    assert held[0].verdict is Verdict.FAIL  # now it meets the manifold's hole, 3.4 mm
    assert held[0].parts == ("casting", "manifold")


def test_no_hole_for_the_shank(ask, part):
    solid = part(
        "casting", trimesh.creation.box(bounds=[[-30, -30, -10], [30, 30, 0]]), role="housing"
    )
    (found,) = ask(part("manifold", manifold()), carrier=solid, fastener=bolt(into="manifold"))
    assert found.verdict is Verdict.FAIL
    assert "There is no hole for the shank" in found.message


def test_a_coarse_hole_leaves_the_shank_undecided(ask, part):
    hole = trimesh.creation.annulus(r_min=4.2, r_max=30.0, height=10.0, sections=48)
    hole.apply_translation([0, 0, -5])
    carrier = part("casting", hole, role="housing", sagitta=0.25)
    (found,) = ask(part("manifold", manifold()), carrier=carrier, fastener=bolt(into="manifold"))
    assert found.verdict is Verdict.UNDECIDED
    assert "cannot be told whether the shank" in found.message


def test_with_a_nut_the_shank_passes_everything(ask, part):
    through = part("manifold", manifold(tapped=4.5))
    (found,) = ask(through, fastener=bolt(into="manifold", nut="ISO 4032"))
    assert found.verdict is Verdict.PASS
    (tapped,) = ask(part("manifold", manifold()), fastener=bolt(into="manifold", nut="ISO 4032"))
    assert tapped.verdict is Verdict.FAIL


def test_the_washer_needs_room_too(ask, part):
    wall = trimesh.creation.box(bounds=[[7.5, -50, 0], [20, 50, 90]])
    assert ask(part("rail", wall))[0].verdict is Verdict.PASS
    (found,) = ask(part("rail", wall), fastener=bolt(washer=1.6))
    assert found.verdict is Verdict.FAIL
    assert "The washer of" in found.message and "diameter of 16 mm" in found.message
    assert "but it has no room where it sits with the housing down" in found.message
    assert (found.details["way"], "load" in found.remedy) == ("no way", False)
    assert found.details["washer_diameter"] == 16.0


def test_loaded_first_its_shank_must_pass_too(ask, part):
    tight = trimesh.creation.annulus(r_min=3.9, r_max=30.0, height=10.0, sections=48)
    tight.apply_translation([0, 0, -5])
    carrier = part("casting", tight, role="housing")
    others = (part("bonnet", roof(30.5)), part("manifold", manifold()))
    (found,) = ask(*others, carrier=carrier, fastener=bolt(load="first"))
    assert found.verdict is Verdict.FAIL
    assert "does not pass casting" in found.message


def dome(half, high, window):
    """A closed box about the bolt with a square window of that size through two sides."""
    w = 0.5 * window
    shell = trimesh.creation.box(bounds=[[-half - 6, -half - 6, -26], [half + 6, half + 6, high]])
    cuts = [
        trimesh.creation.box(bounds=[[-half, -half, -20], [half, half, high - 6]]),
        trimesh.creation.box(bounds=[[-half - 9, -w, 12], [half + 9, w, 12 + window]]),
    ]
    return trimesh.boolean.difference([shell, *cuts], engine="manifold")


@pytest.mark.parametrize(("window", "verdict"), [(10, Verdict.UNDECIDED), (30, Verdict.PASS)])
def test_a_drawn_bolt_must_not_be_shut_in(ask, part, window, verdict):
    # 52 mm over the head: the bolt comes out of its hole, and stays in the dome.
    (found,) = ask(part("dome", dome(60, 66, window)))
    assert found.verdict is verdict
    said = (
        "for a finger (18 mm), for a whole hand" if verdict is Verdict.PASS else "no straight way"
    )
    assert said in found.message
    # On the bench the dome is not there.
    (first,) = ask(part("dome", dome(60, 66, window)), fastener=bolt(load="first"))
    assert first.verdict is Verdict.PASS
    assert first.details["way_in"]["comes"] == "hand"
