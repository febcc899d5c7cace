"""Details that somebody edited: compare tells which finding is damaged."""

import copy

import pytest

from geomcheck.compare.areas import curves
from geomcheck.compare.changes import compare
from geomcheck.compare.flows import flow_changes
from geomcheck.errors import InputError
from geomcheck.finding import Finding, Result, Verdict

CURVE = {
    "curve": {"s": [0.0, 1.0, 2.0], "area": [9.0, 8.0, 9.0]},
    "path": [[0, 0, 0], [0, 0, 1], [0, 0, 2]],
}


def result(details, code="flow-area"):
    one = Finding(
        code, Verdict.PASS, "hatch", 'duct "inlet"', ("housing",), "8 mm2", details=details
    )
    return Result("block", "p.toml", "0.1", ("hatch",), {}, (one,))


def test_a_station_lost_one_square_millimetre():
    later = copy.deepcopy(CURVE)
    later["curve"]["area"][1] = 7.0
    (change,) = curves(compare(result(CURVE), result(later)))
    assert change.loss == (1.0, -1.0, -12.5)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("s", None),
        ("s", 3.5),
        ("s", []),
        ("area", ["/", 8, 9]),
        ("area", [[1], 8, 9]),
        ("area", [1]),
    ],
)  # fmt: skip
def test_a_damaged_curve_is_told(key, value):
    later = copy.deepcopy(CURVE)
    later["curve"][key] = value
    if value is None:
        del later["curve"][key]
    for pair in ((CURVE, later), (later, CURVE)):
        with pytest.raises(InputError, match='flow-area on duct "inlet" is damaged'):
            curves(compare(*map(result, pair)))


def test_a_damaged_path_is_told():
    later = copy.deepcopy(CURVE) | {"path": [[0, 0], [0, 0, 1], [0, 0, 2]]}
    later["curve"]["area"][1] = 7.0
    with pytest.raises(InputError, match="is damaged"):
        curves(compare(result(CURVE), result(later)))


def test_damaged_bands_are_told():
    told = [result({"bands": bands}, "flow-estimate") for bands in ({"mach": 1}, [])]
    try:
        flow_changes(compare(*told))
    except InputError as error:
        assert "flow-estimate on duct" in error.text
