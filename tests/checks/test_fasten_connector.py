"""The fasten-connector check: meshes that pass, fail and cannot be decided; plugging in first."""

from __future__ import annotations

import json

import pytest
import trimesh
from pydantic import ValidationError

from geomcheck.checks.fasten_connector import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict
from geomcheck.project.entries import ConnectorEntry


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def body():
    return box([-40, -40, -40], [40, 40, 0])


def plug(**changes):
    """16 mm round, 25 mm long, pulled by 12 mm, with 30 mm of 8 mm cable behind it, along z."""
    entry = {
        "name": "TPS",
        "part": "throttle body",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "stroke": 12.0,
        "length": 25.0,
        "diameter": 16.0,
        "straight": 30.0,
        "cable": 8.0,
    }
    return {key: value for key, value in (entry | changes).items() if value is not None}


@pytest.fixture
def ask(part, assembly):
    def make(*others, connector=None, settings=None, carrier=None, **options):
        parts = [part("casting", box([200, 0, 0], [260, 60, 60]), role="housing")]
        parts += [carrier or part("throttle body", body(), role="carried"), *others]
        car = assembly(*parts, connectors=[connector or plug()], **options)
        return list(run(car, settings or Settings()))

    return make


def test_it_goes_on(ask, part):
    (found,) = ask(part("rail", box([12, -50, 1], [20, 50, 90])))
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'connector "TPS"')
    # The tightest are the fingers across the rail: 12 - 9 mm.
    assert found.quantity.value == pytest.approx(3.0, abs=0.05)
    assert "goes on and off: " in found.message and "two fingers" in found.message
    assert found.remedy == ""
    assert found.details["way"] == "in place"
    assert found.details["in_place"]["body"]["room"] == 4.0
    assert "power off" in found.caution
    assert sum(x * x for x in found.view) == pytest.approx(1.0)
    json.dumps(dict(found.details))


def test_nothing_near_is_no_measured_room(ask):
    (found,) = ask()
    assert found.verdict is Verdict.PASS
    assert found.quantity is None
    assert "at least 25.00 mm" in found.message


def test_the_cable_meets_a_roof(ask, part):
    roof = box([-50, -50, 55], [50, 50, 60])
    (found,) = ask(part("bonnet", roof, kind="hot part"))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == -4.0
    assert "does not go on or off: bonnet at (" in found.message
    assert "stands 4.00 mm in the way of its boot or cable" in found.message
    # At rest the cable ends at 55 mm, on the roof: plugging it in first would not do.
    assert found.details["way"] == "no way"
    assert "let it cool" in found.caution
    assert found.witnesses[0].part == "bonnet"
    assert "by 4.00 mm or more" in found.remedy
    # Its end stands at 55 mm, at the roof: it cannot be pulled at all.
    assert "It can be pulled by 0.00 of 12 mm." in found.message
    assert "Along its axis 12.00 mm are missing." in found.remedy


def test_it_must_be_plugged_in_first(ask, part):
    roof = part("bonnet", box([-50, -50, 58], [50, 50, 62]))
    (found,) = ask(roof)
    assert found.verdict is Verdict.FAIL
    assert found.details["way"] == "plug in first"
    assert "It can be pulled by 3.00 of 12 mm." in found.message
    assert found.details["pull"] == 3.0
    assert "Before the housing goes down it goes on: plug it in first." in found.message
    assert 'when = "first"' in found.remedy
    (told,) = ask(roof, connector=plug(when="first"))
    assert told.verdict is Verdict.PASS
    assert told.message.startswith(
        'Plugged in on the bench before the housing goes down, connector "TPS" goes on'
    )
    (open_one,) = ask(roof, entries={"bonnet": {"open_for_tools": True}})
    assert open_one.verdict is Verdict.PASS


def test_first_where_it_is_not_needed_gets_a_remark(ask, part):
    (found,) = ask(part("rail", box([12, -50, 1], [20, 50, 90])), connector=plug(when="first"))
    assert found.verdict is Verdict.PASS
    assert "needless" in found.message


def test_first_still_has_to_fit_where_it_sits(ask, part):
    (found,) = ask(part("rail", box([6, -50, 10], [20, 50, 14])), connector=plug(when="first"))
    assert found.verdict is Verdict.FAIL
    assert "no room where it sits: rail" in found.message
    assert found.quantity.value == -2.0


def test_a_plug_of_the_vehicle_goes_on_before_the_housing(assembly, part):
    # On a sensor of the engine, under a shelf of the housing.
    engine = part("engine", body())
    shelf = part("casting", box([-60, -60, 58], [60, 60, 80]), role="housing")
    low = part("throttle body", box([300, 0, 0], [310, 10, 10]), role="carried")

    def answer(**changes):
        car = assembly(engine, shelf, low, connectors=[plug(part="engine", **changes)])
        (found,) = run(car, Settings())
        return found

    assert answer().verdict is Verdict.FAIL
    assert answer().details["way"] == "plug in first"
    first = answer(when="first")
    assert first.verdict is Verdict.PASS
    assert first.message.startswith("Plugged in before the housing goes down, ")


def test_fingers_that_do_not_get_in(ask, part):
    walls = trimesh.util.concatenate(
        [
            box([12, -50, 1], [30, 50, 90]),
            box([-30, -50, 1], [-12, 50, 90]),
            box([-12, 12, 1], [12, 30, 90]),
            box([-12, -30, 1], [12, -12, 90]),
        ]
    )
    (found,) = ask(part("well", walls))
    assert found.verdict is Verdict.FAIL
    assert "cannot be held from any side" in found.message
    (pulled,) = ask(part("well", walls), connector=plug(grip=0.0))
    assert pulled.verdict is Verdict.PASS
    assert (pulled.quantity.value, pulled.quantity.name) == (4.0, "room about the body")


def test_it_cannot_be_decided(ask, part):
    wall = part("rail", box([8.1, -50, 1], [20, 50, 90]), sagitta=0.3)
    (found,) = ask(wall, connector=plug(grip=0.0))
    assert found.verdict is Verdict.UNDECIDED
    assert (found.quantity.low, found.quantity.high) == (
        pytest.approx(-0.2),
        pytest.approx(0.4),
    )
    assert "It cannot be told whether" in found.message
    assert "Export rail with a finer chord error" in found.remedy


def dome(half, window):
    """A closed box over the socket with a square window of that size through its sides."""
    cuts = [box([-half, -half, -50], [half, half, 140])]
    cuts.append(box([-half - 9, -0.5 * window, 5], [half + 9, 0.5 * window, 5 + window]))
    shell = box([-half - 6, -half - 6, -56], [half + 6, half + 6, 146])
    return trimesh.boolean.difference([shell, *cuts], engine="manifold")


@pytest.mark.parametrize(
    ("window", "grip", "verdict"),
    [
        (10.0, 12.0, Verdict.UNDECIDED),
        (60.0, 12.0, Verdict.UNDECIDED),
        (60.0, 0.0, Verdict.PASS),
        (10.0, 0.0, Verdict.UNDECIDED),
        (110.0, 12.0, Verdict.PASS),
    ],
)
def test_a_hand_must_get_to_it(ask, part, window, grip, verdict):
    # Stroke and fingers have all the room they want under the dome; a hand is 95 mm wide.
    (found,) = ask(part("dome", dome(100.0, window)), connector=plug(grip=grip))
    assert found.verdict is verdict
    if verdict is Verdict.UNDECIDED:
        assert "no straight way out for a" in found.message
        assert found.witnesses[0].part in ("dome", "throttle body")
    assert ask(connector=plug(grip=grip))[0].details["way_in"]["comes"] == "hand"


def test_before_the_housing_goes_down_only_its_own_side_is_in_the_hands_way(ask, part):
    lid = part("dome", dome(100.0, 10.0))
    assert ask(lid, connector=plug(when="first"))[0].verdict is Verdict.PASS


def test_room_wanted_and_square_bodies(ask, part):
    wall = part("rail", box([-50, 9, 1], [50, 20, 90]))
    square = plug(diameter=None, box=[24.0, 10.0], up=[0, 1, 0], grip=0.0, cable=None)
    (found,) = ask(wall, connector=square)
    assert found.verdict is Verdict.PASS
    assert found.quantity.low <= 4.0 <= found.quantity.high
    assert found.quantity.high - found.quantity.low < 0.3
    assert "box by cylinders" in found.quantity.terms[0].source
    assert ask(wall, connector=square | {"room": 4.5})[0].verdict is Verdict.FAIL
    assert ask(wall, connector=square | {"room": 3.9})[0].verdict is Verdict.UNDECIDED
    turned = square | {"up": [1.0, 0.0, 0.0]}
    assert ask(wall, connector=turned)[0].verdict is Verdict.FAIL


def test_the_plug_itself_is_no_obstacle(ask, part):
    shell = part("plug", box([-8, -8, 0.2], [8, 8, 25]))
    assert ask(shell)[0].verdict is Verdict.FAIL
    assert ask(shell, connector=plug(itself=["plug"]))[0].verdict is Verdict.PASS


def test_a_hose_on_its_spigot(ask, part):
    pipe = trimesh.creation.annulus(r_min=5.0, r_max=6.5, height=12.0, sections=32)
    pipe.apply_translation([0, 0, 6])
    spout = part("throttle body", trimesh.util.concatenate([body(), pipe]), role="carried")
    hose = plug(kind="hose", bore=13.2, stroke=14.0)
    (found,) = ask(carrier=spout, connector=hose)
    assert found.verdict is Verdict.PASS
    assert found.subject == 'hose "TPS"'
    assert "relieve and cool" in found.caution
    assert ask(carrier=spout)[0].verdict is Verdict.FAIL
    (into,) = ask(carrier=spout, connector=hose | {"axis": [0.0, 0.0, -1.0]})
    assert into.verdict is Verdict.ERROR
    assert "axis = [0, 0, 1]" in into.remedy


def test_the_socket_is_looked_for(ask, part):
    (air,) = ask(connector=plug(at=[0.0, 0.0, 12.0]))
    assert air.verdict is Verdict.ERROR
    assert "nearest is 12.00 mm away" in air.message
    (wall,) = ask(connector=plug(axis=[0.0, 0.0, -1.0]))
    assert wall.verdict is Verdict.ERROR
    assert "points into the material" in wall.message
    assert "axis = [0, 0, 1]" in wall.remedy
    rough = part("throttle body", body(), role="carried", sagitta=1.4)
    assert ask(carrier=rough)[0].verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"part": "carter"}, r'part "carter".*Known parts: casting'),
        ({"itself": ["throttle body"]}, "cannot be the plug itself"),
        ({"bore": 20.0}, "leaves nothing of a body"),
        ({"stroke": 4000.0, "straight": 4000.0}, "Check the unit"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(ask, changes, said):
    with pytest.raises(ProjectError, match=said) as caught:
        ask(connector=plug(**changes))
    assert caught.value.line is not None


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"axis": [0.0, 0.0, 0.0]}, "must not be zero"),
        ({"stroke": 1e9}, "is it in mm"),
        ({"stroke": -1.0}, "greater than 0"),
        ({"length": float("nan")}, "finite"),
        ({"diameter": None}, "either a diameter, or a box"),
        ({"box": [3.0, 4.0]}, "either a diameter, or a box"),
        ({"diameter": None, "box": [3.0, 4.0]}, "needs up"),
        ({"diameter": None, "box": [3.0, 4.0], "up": [0, 0, 1]}, "across the axis"),
    ],
)
def test_bad_tables_are_refused(changes, said):
    with pytest.raises(ValidationError, match=said):
        ConnectorEntry.model_validate(plug(**changes))


def test_no_table_no_question(part, assembly):
    assert list(run(assembly(part("casting", body(), role="housing")), Settings())) == []
