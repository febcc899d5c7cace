"""The fasten-length check: meshes that pass, fail and cannot be decided; closed forms of steps."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import trimesh

from geomcheck.checks.fasten_length import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict


def turned(rows, sections=48):
    """A body turned about z from (radius, z) rows, on the axis at both ends or closed on itself."""
    return trimesh.creation.revolve(np.array(rows, dtype=float), sections=sections)


def plate(top=0.0, bottom=-12.0, hole=4.5, radius=30.0, sections=48):
    """A disc with a hole about z."""
    rows = [(hole, bottom), (radius, bottom), (radius, top), (hole, top), (hole, bottom)]
    return turned(rows, sections)


def block(top=-13.5, depth=22.0, hole=3.4, radius=30.0, thick=60.0, cone=True, sections=48):
    """A disc with a blind hole, its drill cone of 118 degrees."""
    tip = hole / math.tan(math.radians(59.0)) if cone else 0.0
    floor = top - depth
    rows = [(0, top - thick), (radius, top - thick), (radius, top), (hole, top), (hole, floor)]
    return turned([*rows, (0, floor - tip)], sections)


def bolt(**changes):
    entry = {
        "name": "B3",
        "part": "casting",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "size": "M8",
        "head": "ISO 4762",
        "length": 30.0,
        "into": "block",
        "engagement": 12.0,
        "thread_depth": 20.0,
    }
    entry |= changes
    return {key: value for key, value in entry.items() if value is not None}


GASKET = {
    "name": "joint",
    "parts": ["casting", "block"],
    "at": [20.0, 0.0, -12.0],
    "normal": [0.0, 0.0, -1.0],
    "gasket": 1.5,
}


@pytest.fixture
def ask(part, assembly):
    def make(
        *others, carrier=None, under=None, fastener=None, settings=None, mates=(GASKET,), **options
    ):
        parts = [
            carrier or part("casting", plate(), role="housing"),
            *([under or part("block", block())] if under is not False else []),
            *others,
        ]
        car = assembly(*parts, fasteners=[fastener or bolt()], mates=mates, **options)
        return list(run(car, settings or Settings()))

    return make


def figures(found):
    return {name: row["value"] for name, row in found.details["figures"].items()}


def test_a_bolt_of_the_right_length(ask):
    (found,) = ask()
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'bolt "B3"')
    # 12 of casting and 1.5 of gasket; 30 - 13.5 engaged; 20 - 16.5 to the end of the thread.
    assert found.details["grip"]["thickness"] == pytest.approx(13.5)
    assert figures(found) == pytest.approx({"engagement": 16.5, "margin": 3.5})
    assert '13.50 mm clamped (12.00 casting, 1.50 gasket "joint")' in found.message
    assert "16.50 mm (2.06 d) of thread engaged in block" in found.message
    assert found.remedy == ""
    # The hole is 22.0 deep where the drill's cone begins, whose tip is 3.4 / tan 59 deeper.
    hole = found.details["hole"]
    assert hole["pieces"] == [pytest.approx([13.5, 35.5])]
    assert hole["floor"] == pytest.approx(35.5 + 3.4 / math.tan(math.radians(59)), abs=0.02)
    json.dumps(dict(found.details), allow_nan=False)


def test_too_short(ask):
    (found,) = ask(fastener=bolt(length=20.0))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == pytest.approx(6.5)
    assert found.requirement.limit == 12.0
    # js15 of 20 mm: +-0.42.
    assert (found.quantity.low, found.quantity.high) == pytest.approx((6.08, 6.92))
    assert "too short: 6.50 mm (0.81 d) of thread engaged in block, 12.00 mm wanted" in (
        found.message
    )
    # Engagement wants 25.5 and more; the thread ends at 33.5, 2.5 before which it must stop: 31.
    # Limits of size: +-0.42 up to 30, +-0.5 above.
    assert found.details["lengths"]["shortest"] == 26.0
    assert found.details["lengths"]["longest"] == 30.5
    assert "Use M8 x 30 (26 to 30.5 mm works)." in found.remedy


def test_it_bottoms(ask):
    (found,) = ask(fastener=bolt(length=40.0))
    assert found.verdict is Verdict.FAIL
    assert "It bottoms: its end stands 6.50 mm beyond the end of the thread" in found.message
    assert "Use M8 x 30" in found.remedy


def test_a_thread_of_unknown_depth_is_not_decided(ask):
    (found,) = ask(fastener=bolt(thread_depth=None))
    assert found.verdict is Verdict.UNDECIDED
    # Drawn 22 deep, 16.5 of it used; DIN 76-1 wants 6.2 below the full thread.
    assert found.quantity.value == pytest.approx(5.5)
    assert found.quantity.low == pytest.approx(5.5 - 6.2 - 0.42, abs=0.01)
    assert "Give thread_depth" in found.remedy


def test_what_must_be_engaged_has_to_be_said(ask):
    (found,) = ask(fastener=bolt(engagement=None))
    assert found.verdict is Verdict.UNDECIDED
    assert "How much thread has to be engaged is not given" in found.message
    assert "material" in found.remedy
    (stated,) = ask(fastener=bolt(engagement=None, material="cast iron"))
    assert stated.verdict is Verdict.PASS
    assert "1.5 d in cast iron" in stated.details["engagement_source"]
    (doubled,) = ask(fastener=bolt(engagement="2.2d"))
    assert doubled.verdict is Verdict.FAIL


def test_the_part_with_the_thread_is_found(ask):
    (found,) = ask(fastener=bolt(into=None))
    assert found.verdict is Verdict.PASS
    assert found.details["grip"]["into"] == "block"


@pytest.mark.parametrize("hole", [3.3235, 3.4, 4.0])
@pytest.mark.parametrize("sections", [12, 24, 64])
def test_a_hole_may_be_drawn_at_its_drill_or_its_nominal_diameter(ask, part, hole, sections):
    (found,) = ask(under=part("block", block(hole=hole, sections=sections)))
    assert found.verdict is Verdict.PASS
    assert found.details["hole"]["diameter"] == pytest.approx(2 * hole, abs=1e-6)
    assert figures(found) == pytest.approx({"engagement": 16.5, "margin": 3.5})


@pytest.mark.parametrize(
    ("hole", "verdict"), [(3.4, Verdict.PASS), (3.6, Verdict.UNDECIDED), (4.0, Verdict.UNDECIDED)]
)
def test_a_close_plain_hole_is_not_taken_for_a_thread_unasked(ask, part, hole, verdict):
    # A tap drill tells of a thread (M8: 6.8 mm, 6.912 at most); 8 mm may be reamed for a dowel.
    (found,) = ask(under=part("block", block(hole=hole)), fastener=bolt(into=None))
    assert found.verdict is verdict
    if verdict is Verdict.UNDECIDED:
        assert 'say into = "block"' in found.remedy


def test_no_hole_under_it(ask, part):
    solid = trimesh.creation.box(bounds=[[-30, -30, -70], [30, 30, -13.5]])
    (found,) = ask(under=part("block", solid))
    assert found.verdict is Verdict.FAIL
    assert "There is no hole under it in block" in found.message
    assert "Model the hole" in found.remedy
    (above,) = ask(
        part("bracket", trimesh.creation.box(bounds=[[-9, -9, -13.4], [9, 9, -12.1]])), mates=()
    )
    assert above.verdict is Verdict.FAIL
    assert "There is no hole for it in bracket" in above.message


def test_holes_of_the_wrong_size(ask, part):
    (small,) = ask(under=part("block", block(hole=2.5)))
    assert small.verdict is Verdict.FAIL
    assert "5.00 mm wide: too small for M8" in small.message
    (wide,) = ask(under=part("block", block(hole=4.5)))
    assert wide.verdict is Verdict.FAIL
    assert "9.00 mm wide: M8 finds no thread there" in wide.message
    (unnamed,) = ask(under=part("block", block(hole=4.5)), fastener=bolt(into=None))
    assert unnamed.verdict is Verdict.UNDECIDED
    (tight,) = ask(carrier=part("casting", plate(hole=3.6), role="housing"))
    assert tight.verdict is Verdict.FAIL
    assert "casting stands 0.41 mm in the way of its shank" in tight.message


def test_air_in_the_joint_is_named_and_counted(ask):
    (found,) = ask(mates=())
    assert "1.50 of air that nothing fills" in found.message
    assert "as it closes, the bolt goes as much deeper" in found.message
    low = found.details["figures"]["margin"]["low"]
    assert low == pytest.approx(3.5 - 1.5 - 0.42, abs=0.01)
    assert found.verdict is Verdict.UNDECIDED


def test_a_gasket_without_room(ask):
    thick = GASKET | {"gasket": 2.5}
    (found,) = ask(mates=[thick])
    assert "placed 1.00 mm nearer to each other than the joint allows" in found.message
    assert found.details["figures"]["engagement"]["low"] == pytest.approx(15.5 - 0.42)


def test_a_stepped_hole(ask, part):
    # 9 mm clear for 4 mm, then tapped; a countersink of 45 degrees on top.
    rows = [(0, -70), (30, -70), (30, -13.5), (5.5, -13.5), (4.5, -14.5), (4.5, -17.5)]
    under = part("block", turned([*rows, (3.4, -17.5), (3.4, -37.5), (0, -37.5)]))
    (found,) = ask(under=under, fastener=bolt(thread_depth=None, engagement=10.0))
    assert found.details["hole"]["pieces"] == [pytest.approx([17.5, 37.5])]
    assert figures(found) == pytest.approx({"engagement": 12.5, "margin": 7.5})
    assert found.details["grip"]["thickness"] == pytest.approx(13.5)


def test_a_countersink_carries_no_thread(ask, part):
    rows = [(0, -70), (30, -70), (30, -13.5), (4.2, -13.5), (3.4, -14.3), (3.4, -35.5), (0, -35.5)]
    (found,) = ask(under=part("block", turned(rows)))
    assert found.details["hole"]["pieces"] == [pytest.approx([14.3, 35.5])]
    assert found.details["hole"]["mouth"] == pytest.approx(13.5)
    # The stated depth of thread counts from the mouth.
    assert figures(found) == pytest.approx({"engagement": 15.7, "margin": 3.5})


def through(top=-13.5, thick=14.0, hole=3.4):
    return plate(top, top - thick, hole)


def test_the_end_beyond_a_through_hole(ask, part):
    # The thread ends at 27.5, the bolt at 30; a rotor's lobe stands at 33.
    rotor = trimesh.creation.box(bounds=[[-20, -20, -60], [20, 20, -33]])
    under = part("block", through())
    (good,) = ask(
        part("rotor", rotor, kind="moving part"), under=under, fastener=bolt(thread_depth=None)
    )
    assert good.verdict is Verdict.PASS
    assert figures(good) == pytest.approx({"engagement": 14.0, "tip": 3.0})
    assert "moving part" in good.caution
    (hit,) = ask(part("rotor", rotor), under=under, fastener=bolt(thread_depth=None, length=35.0))
    assert hit.verdict is Verdict.FAIL
    assert "Its end stands 2.00 mm in rotor" in hit.message
    assert hit.witnesses[0].part in ("casting", "rotor")
    (near,) = ask(part("rotor", rotor), under=under, fastener=bolt(thread_depth=None, length=31.8))
    assert near.verdict is Verdict.UNDECIDED
    (free,) = ask(under=under, fastener=bolt(thread_depth=None, length=35.0))
    assert free.verdict is Verdict.PASS


def test_a_coarse_part_beyond_is_not_decided(ask, part):
    rotor = trimesh.creation.box(bounds=[[-20, -20, -60], [20, 20, -32]])
    under = part("block", through())
    entry = bolt(thread_depth=None)
    assert ask(part("rotor", rotor), under=under, fastener=entry)[0].verdict is Verdict.PASS
    (found,) = ask(part("rotor", rotor, sagitta=0.8), under=under, fastener=entry)
    assert found.verdict is Verdict.UNDECIDED
    assert found.quantity.low == pytest.approx(2.0 - 0.8 - 0.42)


def test_a_nut(ask, part):
    bracket = part("block", plate(-13.5, -17.5))
    entry = bolt(into=None, nut="ISO 4032", engagement=None, thread_depth=None)
    (good,) = ask(under=bracket, fastener=entry)
    # 30 less 17.5 clamped less 6.8 of nut; 2 pitches wanted.
    assert good.verdict is Verdict.PASS
    assert figures(good) == pytest.approx({"protrusion": 5.7})
    (short,) = ask(under=bracket, fastener=entry | {"length": 25.0})
    assert short.verdict is Verdict.FAIL
    assert "0.70 mm beyond it, 2.50 mm wanted" in short.message
    assert "Use M8 x 30" in short.remedy


def test_a_smooth_shank_must_not_reach_the_thread(ask, part):
    # ISO 4014 M8 x 60: thread 22 long, so up to 38 smooth; the block's thread begins at 13.5.
    deep = part("block", block(depth=70.0, thick=90.0))
    entry = bolt(head="ISO 4014", length=60.0, thread_depth=60.0)
    (found,) = ask(under=deep, fastener=entry)
    assert found.verdict is Verdict.FAIL
    assert "Its smooth shank reaches" in found.message
    assert ask(under=deep, fastener=entry | {"head": "ISO 4017"})[0].verdict is Verdict.PASS


def test_a_washer_takes_length(ask):
    (found,) = ask(fastener=bolt(washer=1.6))
    assert figures(found)["engagement"] == pytest.approx(14.9)


def test_thread_deeper_than_the_hole_is_an_error(ask):
    (found,) = ask(fastener=bolt(thread_depth=25.0))
    assert found.verdict is Verdict.ERROR
    assert "only 22.00 mm deep" in found.message


def test_an_open_mesh_is_not_decided(ask, part, torn):
    (found,) = ask(under=part("block", torn(block(), [5])))
    assert found.verdict is Verdict.UNDECIDED
    assert "block is not closed" in found.message


def test_asked_only_where_the_entry_says_more(ask):
    plain = bolt(into=None, engagement=None, thread_depth=None)
    assert ask(fastener=plain) == []
    (found,) = ask(fastener=plain, settings=Settings(all=True))
    assert found.verdict is Verdict.UNDECIDED


def test_a_wrong_axis_or_seat(ask):
    (wall,) = ask(fastener=bolt(axis=[0.0, 0.0, -1.0]))
    assert wall.verdict is Verdict.ERROR
    assert "axis = [0, 0, 1]" in wall.remedy
    (aside,) = ask(fastener=bolt(at=[200.0, 0.0, 0.0]))
    assert aside.verdict is Verdict.ERROR


def test_into_nowhere_under_the_head(ask, part):
    far = part("far", trimesh.creation.box(bounds=[[200, 200, 0], [210, 210, 5]]))
    (found,) = ask(far, fastener=bolt(into="far"))
    assert found.verdict is Verdict.ERROR
    assert "far is nowhere under the head" in found.message


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"into": "blok"}, r'no part "blok".*Known parts: casting, block'),
        ({"material": "tin", "engagement": None}, r'no material "tin".*cast iron'),
        (
            {"material": "grey iron GJL-250", "strength_class": "4.8", "engagement": None},
            "no figure.*class 4.8",
        ),
        ({"nut": "ISO 1", "thread_depth": None}, r'no nut "ISO 1".*ISO 4032 M8'),
        ({"nut": "ISO 4032"}, "thread_depth makes no sense"),
        ({"size": "M7"}, r'no size "M7"'),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(ask, changes, said):
    with pytest.raises(ProjectError, match=said) as caught:
        ask(fastener=bolt(**changes))
    assert caught.value.line is not None


def test_a_thread_that_ends_inside_a_through_hole(ask, part):
    # The hole goes through at 27.5, its thread ends at 13.5 + 12: 25.5, the bolt at 30.
    (found,) = ask(under=part("block", through()), fastener=bolt(thread_depth=12.0))
    assert found.verdict is Verdict.FAIL
    assert figures(found)["margin"] == pytest.approx(-4.5)
    assert figures(found)["engagement"] == pytest.approx(12.0)


def test_a_coarse_clearance_hole_is_not_decided(ask, part):
    fine = plate(hole=4.2, sections=64)
    assert ask(carrier=part("casting", fine, role="housing"))[0].verdict is Verdict.PASS
    # 4.2 less its chord error of 0.005 leaves 0.195 beside the shank.
    coarse = part("casting", fine, role="housing", sagitta=0.3)
    (found,) = ask(carrier=coarse, fastener=bolt(engagement=8.0))
    assert found.verdict is Verdict.UNDECIDED
    assert "cannot be told whether its shank goes past casting" in found.message


def test_another_part_right_under_the_head(ask, part):
    cover = part("cover", plate(0.3, -0.2, hole=4.6))
    (found,) = ask(cover)
    assert found.verdict is Verdict.UNDECIDED
    assert "Right under its head lies cover, not casting" in found.message


def test_a_part_that_a_movement_moves_is_a_moving_part(ask, part):
    rotor = part("rotor", trimesh.creation.box(bounds=[[-20, -20, -60], [20, 20, -33]]))
    spin = {"turn": [{"axis": [0, 0, 1], "about": [0, 0, 0], "angle": [-6, 6]}]}
    move = {"name": "spin", "parts": ["rotor"], "required": 1.0, "rock": spin}
    entry = bolt(thread_depth=None)
    under = part("block", through())
    (found,) = ask(rotor, under=under, fastener=entry, movements=[move])
    assert "moving part" in found.caution
    assert ask(rotor, under=under, fastener=entry)[0].caution == ""
