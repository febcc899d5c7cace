"""Tables behind bolt lengths: published values, and what is refused."""

from __future__ import annotations

import itertools

import pytest

from geomcheck import standards
from geomcheck.errors import InputError
from geomcheck.standards import lengths


def test_the_series_of_iso_888():
    # As in the Mechanical Engineer's Data Handbook, p. 299, and a public table of ISO 4762 lengths.
    found = [row.length for row in lengths.bolt_lengths()]
    assert found[3:19] == [12, 16, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 80, 90, 100]
    assert [row.length for row in lengths.bolt_lengths() if row.choice == "second"] == [55, 65]
    assert all(a < b for a, b in itertools.pairwise(found))


@pytest.mark.parametrize(
    ("length", "limits"),
    [  # ISO 4762, columns of l min and max (from memory): js15, js17 over 150 mm
        (10, (9.71, 10.29)),
        (20, (19.58, 20.42)),
        (30, (29.58, 30.42)),
        (35, (34.5, 35.5)),
        (60, (59.4, 60.6)),
        (100, (99.3, 100.7)),
        (150, (149.2, 150.8)),
        (160, (158.0, 162.0)),
    ],
)
def test_limits_of_size(length, limits):
    assert lengths.length_limits(length) == pytest.approx(limits)


def test_a_length_between_two_has_the_wider_tolerance():
    assert lengths.length_limits(31.0) == pytest.approx((30.5, 31.5))
    low, high = lengths.length_limits(250.0)
    assert high - low == pytest.approx(4.6)


@pytest.mark.parametrize(
    ("head", "size", "length", "thread"),
    [  # ISO 888: b = 2 d + 6, 2 d + 12, 2 d + 25; ISO 4762: b reference 24, 28, 32
        ("ISO 4014", "M8", 60, 22),
        ("ISO 4014", "M8", 130, 28),
        ("ISO 4014", "M8", 220, 41),
        ("ISO 4014", "M12", 100, 30),
        ("ISO 4762", "M6", 60, 24),
        ("ISO 4762", "M8", 60, 28),
        ("ISO 4762", "M10", 60, 32),
        ("ISO 4762", "M8", 20, 20),
        ("ISO 4017", "M8", 60, 60),
    ],
)
def test_thread_lengths(head, size, length, thread):
    assert lengths.thread_length(standards.screw(head, size), length) == thread


def test_thread_of_a_head_the_table_does_not_tell():
    assert lengths.thread_length(standards.screw("ASME B18.3", "1/4-20"), 50.0) is None


def test_pitches():
    # ISO 724: D1 of M8 6.647, d3 6.466, published. ASME B1.1: 1/4-20 has a minor diameter of
    # 0.1959 in (basic, published).
    m8 = lengths.pitch(standards.screw("ISO 4762", "M8"))
    assert (m8.pitch, m8.minor_internal, m8.minor_external) == (1.25, 6.647, 6.466)
    quarter = lengths.pitch(standards.screw("ASME B18.3", "1/4-20"))
    assert quarter.pitch == pytest.approx(1.27)
    assert quarter.minor_internal == pytest.approx(0.1959 * 25.4, abs=0.002)
    for row in standards.screws():
        thread = lengths.pitch(row)
        assert 0 < thread.minor_external < thread.minor_internal < row.thread_diameter


def test_rules_of_engagement():
    assert lengths.engagement("steel").factor == 1.0
    assert lengths.engagement("cast iron", "10.9").factor == 1.5
    assert lengths.engagement("grey iron GJL-250", "8.8").factor == 1.0
    # Without a class the greatest figure counts.
    assert lengths.engagement("grey iron GJL-250").factor == 1.4
    assert "no source" in lengths.engagement("aluminium").source
    with pytest.raises(InputError, match=r'no material "tin".*cast iron'):
        lengths.engagement("tin")
    with pytest.raises(InputError, match=r"class 12\.9"):
        lengths.engagement("aluminium Al99.5 / AlMg3", "12.9")


def test_softer_metal_wants_more_thread():
    by_class = {
        name: [lengths.engagement(name, grade).factor for grade in ("8.8", "10.9")]
        for name in lengths.thread_materials()
        if name not in ("cast aluminium alloy", "hardened aluminium alloy")
    }
    assert all(low <= high for low, high in by_class.values())
    assert by_class["steel C45 / 42CrMo4, quenched and tempered"][0] < by_class["steel"][0]
    assert by_class["aluminium"][0] > by_class["cast iron"][0] > by_class["steel"][0]


@pytest.mark.parametrize(
    ("size", "height"),
    [("M3", 2.4), ("M4", 3.2), ("M5", 4.7), ("M6", 5.2), ("M8", 6.8), ("M10", 8.4), ("M12", 10.8)],
)
def test_nuts_of_iso_4032(size, height):  # published, m max
    row = lengths.nut("ISO 4032", size)
    assert row.height_max == height
    assert 0.89 * height < row.height_min < height
    with pytest.raises(InputError, match="Known nuts: ISO 4032 M3"):
        lengths.nut("ISO 4032", "M7")


def test_run_outs_are_about_five_pitches():
    for size in ("M3", "M4", "M5", "M6", "M8", "M10", "M12"):
        thread = lengths.pitch(standards.screw("DIN 7984", size))
        assert 4.5 < lengths.runout(size) / thread.pitch < 5.7
    assert lengths.runout("1/4-20") is None
