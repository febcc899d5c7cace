"""The fasten-service check: kept, lost, never reached, undecided; tools, swings and clear ways.

Rooms are elementary geometry: the distance of a plane wall from the axis less the tool's radius.
"""

from __future__ import annotations

import json

import pytest
import trimesh
from pydantic import ValidationError

from geomcheck.checks.fasten_service import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict
from geomcheck.project.entries import ServiceEntry

#: A plug spanner: 20 mm round, 150 mm long.
SPANNER = {
    "name": "plug spanner",
    "drive": "hexagon",
    "across_flats": 16.0,
    "profile": [[0.0, 150.0, 20.0]],
}
#: The same with a bar of 10 mm at its top that must turn by 60 degrees.
TEE = SPANNER | {
    "name": "tee spanner",
    "handle": [[135.0, 145.0, 10.0, 0.0, 90.0]],
    "arc": 60.0,
}


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def head():
    return box([-60, -60, -60], [60, 60, 0])


def plug(**changes):
    entry = {
        "name": "cylinder 1",
        "kind": "spark plug",
        "part": "engine",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "drive": "hexagon",
        "across_flats": 16.0,
        "tools": ["plug spanner"],
    }
    return {key: value for key, value in (entry | changes).items() if value is not None}


def filler(**changes):
    return plug(
        name="oil",
        kind="filler",
        drive=None,
        across_flats=None,
        tools=None,
        diameter=40.0,
        length=120.0,
        **changes,
    )


@pytest.fixture
def ask(part, assembly):
    def make(
        housing, *others, service=None, settings=None, engine=None, tools=(SPANNER, TEE), **options
    ):
        casting = housing if hasattr(housing, "role") else part("casting", housing, role="housing")
        parts = [casting, engine or part("engine", head()), *others]
        car = assembly(*parts, services=[service or plug()], tools=tools, **options)
        return list(run(car, settings or Settings()))

    return make


@pytest.mark.parametrize("service", [plug(), filler()])
def test_a_point_shut_in_by_the_housing_is_not_kept(ask, part, service):
    # The spanner and the can have all their room under the dome; nothing leads in.
    shell, room = box([-150, -150, -90], [150, 150, 260]), box([-140, -140, -70], [140, 140, 250])
    shut = trimesh.boolean.difference([shell, room], engine="manifold")
    (found,) = ask(shut, service=service)
    assert found.verdict is Verdict.UNDECIDED
    assert "no straight way out for a finger" in found.message
    window = trimesh.boolean.difference([shut, box([-200, -40, 60], [200, 40, 240])])
    assert ask(window, service=service)[0].verdict is Verdict.PASS
    # Where the vehicle shut it in before, the housing takes nothing away.
    far = part("casting", box([900, 0, 0], [960, 60, 60]), role="housing")
    assert ask(far, part("tunnel", shut), service=service)[0].verdict is Verdict.PASS


def wall(x):
    return box([x, -50, 20], [x + 30, 50, 190])


def test_it_is_still_reached(ask):
    (found,) = ask(wall(13))
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'service "cylinder 1"')
    assert found.quantity.value == 3.0
    assert found.message.startswith(
        'Spark plug "cylinder 1" is still reached by plug spanner: 3.00'
    )
    assert "at least 22.00 mm less than without the housing" in found.message
    assert found.details["state"] == "kept"
    assert "ignition off" in found.caution
    json.dumps(dict(found.details))


def test_it_lost_its_tool(ask, part):
    (found,) = ask(wall(7.5), part("rail", box([-40, -50, 5], [-14, 50, 90]), kind="fuel line"))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == -2.5
    assert "was reached by plug spanner, 4.00 mm of room to rail" in found.message
    assert "casting at (7.50" in found.message and "stands 2.50 mm in its way" in found.message
    assert "6.50 mm lost" in found.message
    assert found.remedy.startswith(
        "Relieve casting there by 2.50 mm or more in the direction (1.00"
    )
    assert found.parts == ("engine", "casting")
    (row,) = found.details["served"]
    assert (row["was"], row["now"], row["state"]) == ("yes", "no", "lost")
    assert row["lost_mm"] == pytest.approx(6.5)


def test_it_was_never_reached(ask, part):
    (found,) = ask(wall(5), part("rail", box([-40, -50, 5], [-8, 50, 90]), kind="fuel line"))
    assert found.verdict is Verdict.NOT_APPLICABLE
    assert "not reached by plug spanner even without the housing: rail" in found.message
    assert found.quantity is None and found.requirement is None


def test_it_cannot_be_decided(ask, part):
    (found,) = ask(part("casting", wall(10.1), role="housing", sagitta=0.3))
    assert found.verdict is Verdict.UNDECIDED
    assert (found.quantity.low, found.quantity.high) == (
        pytest.approx(-0.2),
        pytest.approx(0.4),
    )
    assert "still reaches" in found.message
    assert "Export casting with a finer chord error" in found.remedy


def test_what_was_in_doubt_before_stays_so(ask, part):
    rail = part("rail", box([-40, -50, 5], [-10.1, 50, 90]), sagitta=0.3)
    (found,) = ask(wall(5), rail)
    assert found.verdict is Verdict.UNDECIDED
    assert "reached" in found.message and "before" in found.message


def test_another_tool_may_do(ask):
    thin = SPANNER | {"name": "thin spanner", "profile": [[0.0, 150.0, 12.0]]}
    (found,) = ask(
        wall(7.5), service=plug(tools=["plug spanner", "thin spanner"]), tools=(SPANNER, thin)
    )
    assert found.verdict is Verdict.PASS
    assert "still reached by thin spanner" in found.message
    assert "plug spanner no longer does" in found.message


def test_it_lost_its_swing(ask, part):
    # Four posts of the housing about the axis, at the height of the handle: bars of 10 mm at 90 mm
    # pass between none of them by 60 degrees.
    posts = trimesh.util.concatenate(
        [
            box([30, -4, 120], [38, 4, 160]),
            box([-38, -4, 120], [-30, 4, 160]),
            box([-4, 30, 120], [4, 38, 160]),
            box([-4, -38, 120], [4, -30, 160]),
        ]
    )
    (found,) = ask(posts, service=plug(tools=["tee spanner"]))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.unit == "deg"
    assert found.requirement.limit == 60.0
    assert "its handle swings" in found.message and "60.0 needed" in found.message
    assert "degrees more of swing" in found.remedy
    (left,) = ask(posts, service=plug(tools=["tee spanner"]), settings=Settings(turn=False))
    assert left.verdict is Verdict.PASS


def test_tools_of_the_table(ask):
    (found,) = ask(
        box([300, 300, 300], [310, 310, 310]),
        service=plug(across_flats=13.0, tools=None),
        tools=(),
    )
    assert found.verdict is Verdict.PASS
    assert len(found.details["served"]) > 5
    (screw,) = ask(
        box([300, 300, 300], [310, 310, 310]),
        service=plug(drive=None, across_flats=None, tools=None, head="ISO 4762", size="M8"),
        tools=(),
    )
    assert screw.verdict is Verdict.PASS


def test_a_clear_way(ask):
    (found,) = ask(wall(24), service=filler())
    assert found.verdict is Verdict.PASS
    assert found.quantity.value == 4.0
    (lost,) = ask(box([-30, -30, 100], [30, 30, 110]), service=filler())
    assert lost.verdict is Verdict.FAIL
    assert lost.quantity.value == -20.0
    assert "way of 40 x 120 mm" in lost.message
    (over,) = ask(box([-30, -30, 121], [30, 30, 130]), service=filler())
    assert over.verdict is Verdict.PASS
    assert over.quantity is None
    assert "at least 25.00 mm of room all round" in over.message


def test_a_tool_and_a_way_are_two_answers(ask):
    found = ask(wall(13), service=plug(diameter=30.0, length=80.0))
    assert [(one.subject, one.verdict) for one in found] == [
        ('service "cylinder 1"', Verdict.PASS),
        ('service "cylinder 1", way out', Verdict.FAIL),
    ]


def test_room_wanted(ask):
    assert ask(wall(13), service=plug(room=3.0))[0].verdict is Verdict.PASS
    assert ask(wall(13), service=plug(room=3.1))[0].verdict is Verdict.FAIL


def test_carried_parts_take_away_too_and_open_ones_do_not(ask, part):
    far = box([300, 300, 300], [310, 310, 310])
    valve = part("valve", wall(7.5), role="carried")
    (found,) = ask(far, valve)
    assert found.verdict is Verdict.FAIL
    assert found.parts == ("engine", "valve")
    cover = part("cover", box([-30, -30, 30], [30, 30, 40]))
    assert ask(far, cover)[0].verdict is Verdict.NOT_APPLICABLE
    opened = ask(far, cover, entries={"cover": {"open_for_tools": True}})
    assert opened[0].verdict is Verdict.PASS


def test_the_plug_itself_may_be_modelled(ask, part):
    far = box([300, 300, 300], [310, 310, 310])
    plug_mesh = part("plug 1", box([-7, -7, 0.1], [7, 7, 30]))
    assert ask(far, plug_mesh)[0].verdict is Verdict.NOT_APPLICABLE
    (found,) = ask(far, plug_mesh, service=plug(itself=["plug 1"]))
    assert found.verdict is Verdict.PASS


def test_the_place_is_looked_for(ask, part):
    far = box([300, 300, 300], [310, 310, 310])
    (air,) = ask(far, service=plug(at=[0.0, 0.0, 30.0]))
    assert air.verdict is Verdict.ERROR and "nearest is 30.00 mm away" in air.message
    (into,) = ask(far, service=plug(axis=[0.0, 0.0, -1.0]))
    assert into.verdict is Verdict.ERROR and "axis = [0, 0, 1]" in into.remedy
    (rough,) = ask(far, engine=part("engine", head(), sagitta=1.5))
    assert rough.verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"part": "motor"}, r'part "motor".*Known parts: casting'),
        ({"part": "casting"}, "not a part of the vehicle"),
        ({"tools": ["plug spaner"]}, "plug spaner"),
        ({"across_flats": 161.0, "tools": None}, "no tool"),
        ({"itself": ["engine"]}, "cannot be left out"),
        ({"drive": None, "across_flats": None, "head": "ISO 1", "size": "M8"}, r'no head "ISO 1"'),
        ({"drive": None, "across_flats": None, "head": "ISO 4762", "size": "M7"}, r'no size "M7"'),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(ask, changes, said):
    with pytest.raises(ProjectError, match=said) as caught:
        ask(wall(13), service=plug(**changes))
    assert caught.value.line is not None


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"axis": [0.0, 0.0, 0.0]}, "must not be zero"),
        ({"diameter": 30.0}, "diameter and length go together"),
        ({"across_flats": None}, "drive and across_flats go together"),
        ({"head": "ISO 4762", "size": "M8"}, "not both"),
        ({"drive": None, "across_flats": None, "tools": None}, "say what reaches it"),
        ({"diameter": 30.0, "length": 1e6}, "is it in mm"),
        ({"drive": None, "across_flats": None, "diameter": 9.0, "length": 9.0}, "tools turn"),
    ],
)
def test_bad_tables_are_refused(changes, said):
    with pytest.raises(ValidationError, match=said):
        ServiceEntry.model_validate(plug(**changes))


def test_no_table_no_question(part, assembly):
    assert list(run(assembly(part("casting", head(), role="housing")), Settings())) == []
