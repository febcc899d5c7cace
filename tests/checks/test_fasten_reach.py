"""The fasten-reach check: meshes that pass, fail and cannot be decided, and wrong entries."""

from __future__ import annotations

import json

import pytest
import trimesh

from geomcheck.checks.fasten_reach import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


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


def test_a_tool_stands(ask, part):
    # The key (6.81 mm over its corners) has 12 - 3.405 mm to the wall.
    (found,) = ask(part("bulkhead", box([12, -50, 0], [20, 50, 200])))
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'bolt "B3"')
    assert found.quantity.value == pytest.approx(8.595)
    assert (found.requirement.sense, found.requirement.limit) == ("at least", 0.0)
    assert found.parts == ("casting", "bulkhead")
    assert "hex key 6 stands" in found.message
    assert "8.60 mm of room to bulkhead at (12.00" in found.message
    # The key's short arm of 38 mm swings where the wall leaves it.
    assert "its handle swings 206.4 degrees, 60.0 needed; 6 of 12 tools do." in found.message
    assert found.remedy == ""
    assert "torque" in found.caution
    assert found.witnesses[0].part == "bulkhead"
    assert found.witnesses[0].point[0] == pytest.approx(12.0)
    assert sum(x * x for x in found.view) == pytest.approx(1.0)


def test_details_tell_every_tool_and_draw_one(ask, part):
    (found,) = ask(part("bulkhead", box([12, -50, 0], [20, 50, 200])))
    json.dumps(dict(found.details))
    rows = {row["tool"]: row for row in found.details["tools"]}
    assert rows["hex key 6"]["verdict"] == "pass"
    # The ratchet's head of 34 mm on the bit socket meets the wall.
    assert rows["bit socket 6, 3/8 drive"]["verdict"] == "fail"
    assert rows["bit socket 6, 3/8 drive"]["room"] == pytest.approx(12 - 17)
    drawn = found.details["tool"]
    assert drawn["name"] == "hex key 6"
    assert drawn["at"] == [0.0, 0.0, 0.0]
    assert drawn["axis"] == [0.0, 0.0, 1.0]
    assert drawn["profile"] == [[8.0, 100.0, 6.81]]
    assert found.details["seat"]["state"] == "seated"


def test_nothing_near_is_said_to_be_at_least(ask):
    (found,) = ask()
    assert found.verdict is Verdict.PASS
    assert "at least 25.00 mm of room all round, and its handle swings all round" in found.message
    assert found.quantity is None  # no figure that looks like a measured room
    assert found.witnesses[0].label == "seat"


def test_no_tool_stands(ask, part):
    # A roof 45 mm up: a key's short arm with its lift needs 8 + 34 + 8 = 50 mm, all others more.
    (found,) = ask(part("bonnet", box([-99, -99, 45], [99, 99, 47])))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.high < 0.0
    assert "No tool of 18 serves" in found.message
    assert "bonnet at (" in found.message
    assert "45.00 mm above the seat" in found.message
    assert found.parts[-1] == "bonnet"
    assert "bonnet" in found.remedy
    assert found.witnesses[0].label == "blocked here"


def test_the_nearest_tool_is_named_with_what_it_lacks(ask, part):
    wall = part("bulkhead", box([2.995, -50, 9], [20, 50, 200]))
    (found,) = ask(wall, fastener=bolt(tools=["hex key", "bit socket"]))
    assert found.verdict is Verdict.FAIL
    assert "hex key 6: bulkhead at (3.00" in found.message
    assert "stands 0.41 mm in its way" in found.message  # 3.405 - 2.995
    assert "Move bulkhead there by 0.41 mm or more in the direction (1.00, 0.00, 0.00)" in (
        found.remedy
    )


def test_a_room_may_be_asked_for(ask, part):
    wall = part("bulkhead", box([12, -50, 0], [20, 50, 200]))
    assert ask(wall, fastener=bolt(room=8.59, tools=["hex key"]))[0].verdict is Verdict.PASS
    (found,) = ask(wall, fastener=bolt(room=8.6, tools=["hex key"]))
    assert found.verdict is Verdict.FAIL
    assert "8.60 mm of room to" not in found.message or "8.60 mm wanted" in found.message
    # Wanted room beyond what is looked at is looked for.
    (clear,) = ask(fastener=bolt(room=40.0))
    assert clear.verdict is Verdict.PASS
    assert "at least 65.00 mm" in clear.message


def test_it_cannot_be_decided(ask, part):
    # Read 0.1 mm of room; the wall was exported with a chord error of 0.3 mm.
    wall = part("bulkhead", box([3.505, -50, 9], [20, 50, 200]), sagitta=0.3)
    (found,) = ask(wall, fastener=bolt(tools=["hex key"]))
    assert found.verdict is Verdict.UNDECIDED
    assert found.quantity.low == pytest.approx(-0.2)
    assert found.quantity.high == pytest.approx(0.4)
    assert "between -0.20 and 0.40 mm" in found.message
    assert "Export bulkhead with a finer chord error" in found.remedy
    assert found.quantity.terms[0].source == "sagitta of bulkhead, declared"


def test_one_tool_that_stands_is_enough(ask, part):
    # Undecided for the key, blocked for the bit sockets, but a slim tool of one's own passes.
    wall = part("bulkhead", box([3.505, -50, 9], [20, 50, 200]), sagitta=0.3)
    slim = {
        "name": "slim bit",
        "drive": "hexagon socket",
        "across_flats": 6.0,
        "profile": [[0.0, 60.0, 6.0]],
    }
    (found,) = ask(wall, tools=[slim])
    assert found.verdict is Verdict.PASS
    assert "slim bit stands" in found.message
    assert "declared without a handle: turning it is not checked" in found.message
    (named,) = ask(wall, tools=[slim], fastener=bolt(tools=["hex key"]))
    assert named.verdict is Verdict.UNDECIDED


def test_an_open_bonnet_is_out_of_the_way(ask, part):
    bonnet = part("bonnet", box([-99, -99, 45], [99, 99, 47]))
    assert ask(bonnet)[0].verdict is Verdict.FAIL
    assert ask(bonnet, entries={"bonnet": {"open_for_tools": True}})[0].verdict is Verdict.PASS


def test_a_fuel_line_brings_its_caution(ask, part):
    line = part("hose", box([8, -50, 20], [12, 50, 24]), kind="fuel line")
    (found,) = ask(line)
    assert "local codes and the maker's figures come first" in found.caution
    assert "fuel line" in found.caution


def test_a_fastener_in_the_air(ask):
    (found,) = ask(fastener=bolt(at=[0.0, 0.0, 4.0]))
    assert found.verdict is Verdict.ERROR
    assert "in the air" in found.message
    assert "4.00 mm down the axis" in found.message
    assert found.entry.line is not None


def test_an_axis_into_the_wall(ask):
    (found,) = ask(fastener=bolt(axis=[0.0, 0.0, -1.0]))
    assert found.verdict is Verdict.ERROR
    assert "points into the material of casting" in found.message
    assert "axis = [0, 0, 1]" in found.remedy


def test_a_hole_in_a_scan_is_no_error_of_the_entry(ask, part, torn):
    mesh = flange()
    tops = [n for n, t in enumerate(mesh.triangles) if (t[:, 2] == 0).all()]
    scan = part("casting", torn(mesh, tops), role="housing")
    (found,) = ask(carrier=scan)
    assert found.verdict is Verdict.UNDECIDED
    assert "not closed" in found.message


def test_a_seat_too_coarse_to_stand_on(ask, part):
    carrier = part("casting", flange(), role="housing", sagitta=0.8)
    (found,) = ask(carrier=carrier)
    assert found.verdict is Verdict.UNDECIDED
    assert "0.80 mm off the facets" in found.message


def test_a_tool_inside_a_solid(ask, part):
    (found,) = ask(part("block", box([-200, -200, -50], [200, 200, 400])))
    assert found.verdict is Verdict.FAIL
    assert "inside the material of block" in found.message


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"part": "carter"}, r'part "carter".*Known parts: casting'),
        ({"head": "ISO 1"}, r'no head "ISO 1".*Known heads: ISO 4762'),
        ({"size": "M7"}, r'no size "M7".*Known sizes: M4'),
        ({"tools": ["hex key 5"]}, r'"hex key 5" that drives M8.*Known tools.*"hex key 6"'),
        ({"tools": ["crowbar"]}, r'no tool "crowbar"'),
        ({"head": "ISO 7380-1", "size": "M4", "tools": ["socket"]}, r'no tool "socket"'),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(ask, changes, said):
    with pytest.raises(ProjectError, match=said) as caught:
        ask(fastener=bolt(**changes))
    assert caught.value.line is not None
    assert 'fastener "B3"' in caught.value.entry


def test_a_wrong_entry_is_refused_before_any_is_measured(part, assembly):
    car = assembly(
        part("casting", flange(), role="housing"),
        fasteners=[bolt(), bolt(name="B4", size="M7")],
    )
    with pytest.raises(ProjectError, match="M7"):
        next(run(car, Settings()))


def test_without_fasteners_nothing_is_asked(part, assembly):
    assert list(run(assembly(part("casting", flange(), role="housing")), Settings())) == []


def dome(half, high, window=0.0):
    """A closed box about the fastener, its walls 6 mm, with a square window through its sides."""
    cuts = [box([-half, -half, -20], [half, half, high])]
    if window > 0.0:
        w = 0.5 * window
        cuts.append(box([-half - 9, -w, 20], [half + 9, w, 20 + window]))
    shell = box([-half - 6, -half - 6, -26], [half + 6, half + 6, high + 6])
    return trimesh.boolean.difference([shell, *cuts], engine="manifold")


def test_a_closed_dome_is_no_pass(ask, part):
    # Every tool has all the room it wants in there, but nothing gets in.
    (found,) = ask(part("dome", dome(250.0, 500.0)))
    assert found.verdict is Verdict.UNDECIDED
    assert "no straight way out for a finger (18 mm) was found from the tool" in found.message
    assert found.details["way_in"]["comes"] == "nothing"
    assert found.witnesses[0].part == "dome"
    assert "open_for_tools" in found.remedy
    car = {"entries": {"dome": {"open_for_tools": True}}}
    assert ask(part("dome", dome(250.0, 500.0)), **car)[0].verdict is Verdict.PASS


def test_a_window_for_a_finger_is_told(ask, part):
    # 60 mm: a finger comes to the key's handle or top, a hand of 95 mm does not.
    (found,) = ask(part("dome", dome(60.0, 130.0, 60.0)))
    assert found.verdict is Verdict.PASS
    assert "for a finger (18 mm), for a whole hand (95 mm) none was found" in found.message
    (found,) = ask(part("dome", dome(60.0, 130.0, 12.0)))
    assert found.verdict is Verdict.UNDECIDED


def test_a_tool_that_stands_out_of_the_dome_goes_before_one_that_does_not(ask, part):
    # A hole of 40 mm in the roof lets a bit on an extension out; the keys stay inside.
    roofed = trimesh.boolean.difference(
        [
            dome(70.0, 130.0),
            trimesh.creation.cylinder(20.0, 400.0, sections=64).apply_translation([0, 0, 199]),
        ],
        engine="manifold",
    )
    (found,) = ask(part("dome", roofed))
    assert found.verdict is Verdict.PASS
    assert found.details["way_in"]["comes"] in ("finger", "hand")


def test_a_tool_longer_than_the_room_over_the_head_does_not_stand(ask, part):
    # 60 mm over the seat, open all round: 200 mm of extension do not go in, a key of 34 mm does.
    roof = part("shelf", box([-99, -99, 60], [99, 99, 70]))
    (found,) = ask(roof)
    rows = {row["tool"]: row["verdict"] for row in found.details["tools"]}
    assert found.verdict is Verdict.PASS
    tall = {rows[name] for name in rows if "extension" in name and "joint" not in name}
    assert tall == {"fail"}
    names = ["bit socket 6, 3/8 drive, extension 250"]
    assert ask(roof, fastener=bolt(tools=names))[0].verdict is Verdict.FAIL
