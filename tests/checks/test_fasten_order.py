"""The fasten-order check: meshes that have an order, that have none, that cannot be decided."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh

from geomcheck.checks.fasten_order import CODE, Settings, run
from geomcheck.finding import Verdict


def ring(inner, outer, low, high, sections=48):
    mesh = trimesh.creation.annulus(r_min=inner, r_max=outer, height=high - low, sections=sections)
    mesh.apply_translation([0, 0, 0.5 * (low + high)])
    return mesh


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


#: The housing is a disc of 10 mm, its seat at z = 0, on a block with a tapped hole below it.
def flange():
    return ring(4.5, 30.0, -10, 0)


def block():
    return ring(3.4, 40.0, -60, -10)


def bolt(**changes):
    entry = {
        "name": "B1",
        "part": "casting",
        "into": "block",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "size": "M8",
        "head": "ISO 4762",
        "length": 30.0,
        "tools": ["stub key"],
    }
    return entry | changes


STUB = {
    "name": "stub key",
    "drive": "hexagon socket",
    "across_flats": 6.0,
    "profile": [[0.0, 3.0, 6.9]],
}


@pytest.fixture
def ask(part, assembly):
    def make(*others, fasteners=None, order=None, housing=None, under=None, tools=None, **options):
        parts = [
            housing or part("casting", flange(), role="housing"),
            under or part("block", block()),
            *others,
        ]
        car = assembly(
            *parts,
            fasteners=[bolt()] if fasteners is None else fasteners,
            tools=tools or [STUB],
            order=order or {},
            **options,
        )
        return list(run(car, Settings()))

    return make


def roof(z, low=-99, high=99):
    return box([low, -99, z], [high, 99, z + 3])


def done(found):
    return [(row["kind"], row["names"]) for row in found.details["steps"]]


def test_nothing_is_asked_without_the_table(part, assembly):
    car = assembly(part("casting", flange(), role="housing"))
    assert list(run(car, Settings())) == []


def test_a_plain_order(ask):
    (found,) = ask()
    assert found.verdict is Verdict.PASS
    assert found.code == CODE
    assert done(found) == [("set", ["casting"]), ("put in", ["B1"]), ("tighten", ["B1"])]
    steps = found.details["steps"]
    assert steps[0]["direction"] == [0.0, 0.0, -1.0]
    assert steps[2]["tool"] == "stub key"
    assert steps[0]["absent"] == []
    assert found.details["box"][0] == {"kind": "bolt", "what": "M8 x 30 ISO 4762", "count": 1}
    json.dumps(dict(found.details))


def test_a_bolt_that_must_be_loaded_first(ask, part):
    # 25 mm over the head: 30 are needed to draw the bolt, 20 to raise it clear of its thread.
    (found,) = ask(part("bulkhead", roof(33)))
    assert found.verdict is Verdict.PASS
    assert done(found) == [("load", ["B1"]), ("set", ["casting"]), ("tighten", ["B1"])]
    assert found.details["load_first"] == ["B1"]
    assert "Load first" in found.message
    # It comes from the side, since the bulkhead is over it.
    assert found.details["steps"][1]["direction"][2] == 0.0


@pytest.mark.parametrize("load", [{}, {"load": "first"}])
@pytest.mark.parametrize(
    ("high", "sagitta", "verdict"),
    [
        (28.2, None, Verdict.PASS),
        (27.8, None, Verdict.FAIL),
        (20.0, None, Verdict.FAIL),
        (28.1, 0.3, Verdict.UNDECIDED),
        (28.4, 0.3, Verdict.PASS),
        (27.6, 0.3, Verdict.FAIL),
    ],
)
def test_a_bolt_that_holds_the_housing_up_is_never_loaded_first(
    ask, part, high, sagitta, verdict, load
):
    # Its tip stands on the mouth of its thread until it is screwed in: raised by 20 mm, its head
    # to 28. A beam over it, so narrow that a finger comes from the side.
    beam = part("bulkhead", roof(high, -8, 8), sagitta=sagitta)
    (found,) = ask(beam, fasteners=[bolt(**load)])
    assert found.verdict is verdict
    if verdict is Verdict.PASS:
        assert found.details["load_first"] == ["B1"]


def test_no_order_with_the_amount(ask, part):
    # 15 mm over the head, less than the 20 it has to stand raised: it holds the housing up.
    (found,) = ask(part("bulkhead", roof(23)))
    assert found.verdict is Verdict.FAIL
    assert "There is no order" in found.message
    assert "drawing bolt B1" in found.message
    assert "bulkhead" in found.message
    # 30 mm are needed, 15 are there.
    assert found.details["relief"]["parts"] == ["bulkhead"]
    assert found.details["relief"]["amount"] == pytest.approx(15.0)
    assert found.details["relief"]["directions"] == [[0.0, 0.0, 1.0]]
    assert "by 15.00 mm or more" in found.remedy
    # What is named is enough.
    (found,) = ask(part("bulkhead", roof(38.0)))
    assert found.verdict is Verdict.PASS
    assert found.details["load_first"] == []


def test_a_circle(ask, part):
    # Two plates one over the other, the lower only upwards, the upper only downwards.
    strap, cap = box([60, -20, 9], [100, 20, 12]), box([60, -20, 15], [100, 20, 18])
    order = {
        "move": [
            {"name": "strap", "parts": ["strap"], "directions": [[0, 0, 1]]},
            {"name": "cap", "parts": ["cap"], "directions": [[0, 0, -1]]},
        ]
    }
    parts = [part("strap", strap), part("cap", cap)]
    (found,) = ask(*parts, fasteners=[], order=order)
    assert found.verdict is Verdict.FAIL
    waits = {row["item"]: row["waits_for"] for row in found.details["waits"]}
    assert waits == {"strap": "cap", "cap": "strap"}
    # Either has to give by its whole width: 40 mm.
    assert found.details["relief"]["amount"] == pytest.approx(40.0, abs=0.3)
    assert found.details["relief"]["enough"]


def test_a_piece_over_a_bolt_goes_on_after_it(ask, part):
    cover = part("cover", box([-25, -25, 12], [25, 25, 14]), role="carried")
    order = {
        "move": [
            {"name": "cover", "parts": ["cover"]},
            {"name": "casting", "parts": ["casting"]},
        ]
    }
    (found,) = ask(cover, order=order)
    assert found.verdict is Verdict.PASS
    assert done(found) == [
        ("set", ["casting"]),
        ("put in", ["B1"]),
        ("tighten", ["B1"]),
        ("set", ["cover"]),
    ]
    assert found.details["steps"][0]["absent"] == ["cover"]
    # A rule the other way round leaves no order.
    rule = {"rule": [{"first": "cover", "then": "B1"}]}
    (found,) = ask(cover, order=order | rule)
    assert found.verdict is Verdict.FAIL
    # A rule that agrees changes nothing.
    rule = {"rule": [{"first": "B1", "then": "cover"}]}
    assert ask(cover, order=order | rule)[0].verdict is Verdict.PASS


def test_it_cannot_be_decided(ask, part):
    # 20.1 mm over the head, 20 are needed to raise it; the roof is only true to 0.3 mm.
    wide = part("bulkhead", roof(28.1), sagitta=0.3)
    (found,) = ask(wide)
    assert found.verdict is Verdict.UNDECIDED
    assert "cannot be told" in found.message
    assert "bulkhead" in found.remedy
    assert found.details["steps"]


def test_no_seat_is_no_pass(ask):
    (found,) = ask(fasteners=[bolt(at=[0.0, 0.0, 5.0])])
    assert found.verdict is Verdict.UNDECIDED
    assert "seat" in found.message


def test_a_wall_in_every_way(ask, part):
    # A box all round: nothing comes off in any straight direction.
    cage = trimesh.util.concatenate(
        [
            roof(60),
            box([-99, -99, -60], [-45, 99, 60]),
            box([45, -99, -60], [99, 99, 60]),
            box([-45, -99, -60], [45, -45, 60]),
            box([-45, 45, -60], [45, 99, 60]),
        ]
    )
    (found,) = ask(part("cage", cage))
    assert found.verdict is Verdict.FAIL
    assert "which stays" in found.message
    # Open towards +x above 20 mm: a way round the corner is found only where it is given.
    low = box([45, -99, -60], [99, 99, 15])
    cage = trimesh.util.concatenate(
        [
            roof(60),
            box([-99, -99, -60], [-45, 99, 60]),
            low,
            box([-45, -99, -60], [45, -45, 60]),
            box([-45, 45, -60], [45, 99, 60]),
        ]
    )
    open_cage = part("cage", cage)
    assert ask(open_cage)[0].verdict is Verdict.FAIL
    order = {"move": [{"name": "all", "parts": ["casting"], "via": [[0, 0, 30], [300, 0, 30]]}]}
    (found,) = ask(open_cage, order=order)
    assert found.verdict is Verdict.PASS


def plug(**changes):
    entry = {
        "name": "sensor",
        "part": "block",
        "at": [0.0, 0.0, -10.0],
        "axis": [0.0, 0.0, 1.0],
        "stroke": 8.0,
        "length": 20.0,
        "diameter": 10.0,
        "grip": 0.0,
    }
    return entry | changes


def test_a_plug_under_the_housing_is_plugged_in_first(ask, part):
    # The socket is on the block; a hood of the housing stands over it, 40 mm above the rim, and
    # 20 mm of plug with 8 mm of stroke go under it. Fingers do not: 18 mm thick beside a wall.
    hood = trimesh.util.concatenate(
        [box([50, -30, 0], [90, 30, 4]), box([50, -30, -40], [54, 30, 0])]
    )
    shelf = part("shelf", box([41, -30, -44], [120, 30, -40]))
    order = {"move": [{"name": "casting", "parts": ["casting", "hood"], "directions": [[0, 0, 1]]}]}
    entry = plug(part="shelf", at=[60.0, 0.0, -40.0], length=20.0, grip=15.0)
    (found,) = ask(part("hood", hood, role="carried"), shelf, connectors=[entry], order=order)
    assert found.verdict is Verdict.PASS
    assert found.details["plug_first"] == ["sensor"]
    assert done(found)[0] == ("plug in", ["sensor"])


def test_a_loaded_bolt_still_has_to_be_tightened_in_place(ask, part):
    # It could ride along under the bulkhead, but the only tool is longer than the room there.
    long = {"name": "long key", "drive": "hexagon socket", "across_flats": 6.0}
    tools = [long | {"profile": [[0.0, 30.0, 6.9]]}]
    entry = bolt(tools=["long key"])
    (found,) = ask(part("bulkhead", roof(33)), fasteners=[entry], tools=tools)
    assert found.verdict is Verdict.FAIL
    assert "long key" in found.message


def test_a_bolt_that_holds_a_piece_is_undone_while_it_is_there(ask, part):
    # With the housing off its own wall would not matter to the tool; but the bolt holds it down.
    wall = trimesh.boolean.union([flange(), box([10, -20, -5], [14, 20, 20])], engine="manifold")
    wide = {"name": "wide key", "drive": "hexagon socket", "across_flats": 6.0}
    (found,) = ask(
        part("bulkhead", roof(33)),
        housing=part("casting", wall, role="housing"),
        fasteners=[bolt(tools=["wide key"])],
        tools=[wide | {"profile": [[0.0, 3.0, 30.0]]}],
    )
    assert found.verdict is Verdict.FAIL
    waits = {row["item"]: row["waits_for"] for row in found.details["waits"]}
    assert waits == {"casting": "bolt B1", "bolt B1": "casting"}


def test_a_bolt_under_a_closed_cover_is_tightened_before(ask, part):
    # The tool fits under the cover, but no hand comes to it.
    cup = trimesh.boolean.difference(
        [box([-24, -24, 0], [24, 24, 60]), box([-20, -20, -1], [20, 20, 56])], engine="manifold"
    )
    order = {
        "move": [
            {"name": "cover", "parts": ["cover"], "directions": [[0, 0, 1]]},
            {"name": "casting", "parts": ["casting"]},
        ]
    }
    (found,) = ask(part("cover", cup, role="carried"), order=order)
    assert found.verdict is Verdict.PASS
    assert done(found) == [
        ("set", ["casting"]),
        ("put in", ["B1"]),
        ("tighten", ["B1"]),
        ("set", ["cover"]),
    ]


@pytest.mark.parametrize(
    ("wide", "verdict"),
    [(10.0, Verdict.UNDECIDED), (17.0, Verdict.UNDECIDED), (40.0, Verdict.PASS)],
)
def test_a_window_has_to_let_a_finger_through(ask, part, wide, verdict):
    # A dome of the housing over its bolt, with a window as wide as stated in every wall.
    half, low = 0.5 * wide, 20.0 - 0.25 * wide
    cuts = [
        box([-99, -half, low], [99, half, low + wide]),
        box([-half, -99, low], [half, 99, low + wide]),
    ]
    cup = trimesh.boolean.difference(
        [box([-29, -29, -1], [29, 29, 60]), box([-24, -24, -2], [24, 24, 56]), *cuts],
        engine="manifold",
    )
    domed = trimesh.boolean.union([flange(), cup], engine="manifold")
    (found,) = ask(housing=part("casting", domed, role="housing"))
    assert found.verdict is verdict
    if verdict is Verdict.PASS:
        assert "asked for a finger (18 mm), not for a whole hand" in found.message


def test_a_far_dome_is_seen(ask, part):
    # A closed room 300 mm high and wide, far from the bolt: no finger comes in.
    hall = trimesh.boolean.difference(
        [box([-160, -160, -70], [160, 160, 310]), box([-150, -150, -61], [150, 150, 300])],
        engine="manifold",
    )
    (found,) = ask(part("hall", hall))
    assert found.verdict is not Verdict.PASS


def test_what_only_a_raised_bolt_would_meet_does_not_matter_once_it_is_out(ask, part):
    # A rod over the bolt that the housing's hole would pass; a cover that keeps the bolt in.
    rod = trimesh.creation.cylinder(radius=3, height=20, sections=24)
    rod.apply_translation([0, 0, 70])
    cover = part("cover", roof(33), role="carried")
    order = {
        "move": [
            {"name": "cover", "parts": ["cover"], "directions": [[1, 0, 0]]},
            {"name": "casting", "parts": ["casting"], "directions": [[0, 0, 1]]},
        ]
    }
    (found,) = ask(cover, part("rod", rod, sagitta=0.05), order=order)
    assert found.verdict is Verdict.PASS
    assert found.details["load_first"] == []


def test_turned_the_same_order(ask, part):
    turn = trimesh.transformations.rotation_matrix(0.8, [1, -2, 0.5])
    turn[:3, 3] = [300, -20, 77]

    def moved(mesh):
        mesh.apply_transform(turn)
        return mesh

    def at(entry):
        point = turn[:3, :3] @ np.array(entry["at"]) + turn[:3, 3]
        return entry | {"at": point.tolist(), "axis": turn[:3, 2].tolist()}

    (found,) = ask(
        part("bulkhead", moved(roof(33))),
        housing=part("casting", moved(flange()), role="housing"),
        under=part("block", moved(block())),
        fasteners=[at(bolt())],
        order={
            "move": [
                {
                    "name": "casting",
                    "parts": ["casting"],
                    "directions": [turn[:3, 0].tolist(), turn[:3, 2].tolist()],
                }
            ]
        },
    )
    assert found.verdict is Verdict.PASS
    assert done(found) == [("load", ["B1"]), ("set", ["casting"]), ("tighten", ["B1"])]
