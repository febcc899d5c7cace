"""The tables: provenance on every row, identities between columns, and spot values.

Spot values marked *published* were read in copies of the standards' tables; the others say where
they come from.
"""

from __future__ import annotations

import itertools
import math
import re

import pytest

from geomcheck import standards
from geomcheck.errors import InputError


@pytest.mark.parametrize("name", standards.TABLES)
def test_every_row_says_what_it_rests_on(name):
    rows = standards.table(name)
    assert rows
    for number, row in enumerate(rows):
        assert None not in row.values(), f"{name}, row {number} is short"
        assert None not in row, f"{name}, row {number} is long"
        assert row["status"].strip(), f"{name}, row {number} has no status"
        assert row["source"].strip(), f"{name}, row {number} has no source"
        # A reader must be able to follow it: no bare record numbers.
        assert not re.search(r"find_string|\bid \d+", row["source"])


def test_the_list_of_tables_is_complete():
    from importlib import resources

    files = {f.name for f in resources.files(standards).iterdir() if f.name.endswith(".csv")}
    assert files == {f"{name}.csv" for name in standards.TABLES}
    with pytest.raises(KeyError):
        standards.table("rivets")


@pytest.mark.parametrize("row", standards.screws(), ids=lambda r: f"{r.head} {r.size}")
def test_a_screw_is_possible(row):
    assert row.thread_diameter < row.head_diameter
    assert row.head_height > 0
    if row.size.startswith("M"):
        assert row.thread_diameter == float(row.size[1:])
    if row.drive == "hexagon":
        # A hexagon is 2/sqrt 3 = 1.1547 across its corners; standards allow rounding to 1.08 s.
        assert row.head_diameter >= 1.1547 * row.across_flats - 1e-3
        if row.across_corners is not None:
            assert 1.08 * row.across_flats < row.across_corners < 1.1547 * row.across_flats
        assert 1.2 * row.thread_diameter < row.across_flats < 2.0 * row.thread_diameter
    else:
        assert row.across_flats * 2 / math.sqrt(3) < row.head_diameter
        assert 0.45 * row.thread_diameter <= row.across_flats <= 0.9 * row.thread_diameter
    if row.socket_depth is not None:
        assert 0 < row.socket_depth < row.head_height
    if row.bearing_diameter is not None:
        assert row.thread_diameter < row.bearing_diameter < row.head_diameter
    if row.flange_edge is not None:
        assert 0 < row.flange_edge < row.head_height


def test_heads_of_one_standard_grow_with_the_size():
    for head in standards.heads():
        rows = [row for row in standards.screws() if row.head == head]
        for small, large in itertools.pairwise(rows):
            assert small.head_diameter <= large.head_diameter
            assert small.head_height <= large.head_height
            assert small.across_flats <= large.across_flats


@pytest.mark.parametrize(
    ("size", "across_flats", "knurled", "height", "depth"),
    [  # ISO 4762, published
        ("M4", 3, 7.22, 4, 2),
        ("M5", 4, 8.72, 5, 2.5),
        ("M6", 5, 10.22, 6, 3),
        ("M8", 6, 13.27, 8, 4),
        ("M10", 8, 16.27, 10, 5),
        ("M12", 10, 18.27, 12, 6),
    ],
)
def test_iso_4762(size, across_flats, knurled, height, depth):
    row = standards.screw("ISO 4762", size)
    assert row.drive == "hexagon socket"
    assert (row.across_flats, row.head_diameter) == (across_flats, knurled)
    assert (row.head_height, row.socket_depth) == (height, depth)


def test_hexagon_heads_differ_between_din_and_iso():
    # Published: M10 and M12 are 16 and 18 in ISO 4014, 17 and 19 in DIN 931.
    assert [standards.screw("ISO 4014", s).across_flats for s in ("M8", "M10", "M12")] == [
        13,
        16,
        18,
    ]
    assert [standards.screw("DIN 931", s).across_flats for s in ("M8", "M10", "M12")] == [
        13,
        17,
        19,
    ]


def test_inch_screws_are_in_millimetres():
    # ASME B18.3, published: 1/4-20 has a 0.375 in head, 0.250 in high, 3/16 in hexagon.
    row = standards.screw("ASME B18.3", "1/4-20")
    assert row.head_diameter == pytest.approx(9.525)
    assert row.head_height == pytest.approx(6.35)
    assert row.across_flats == pytest.approx(4.7625)


@pytest.mark.parametrize(
    ("size", "fine", "medium", "coarse"),
    [("M6", 6.4, 6.6, 7), ("M8", 8.4, 9, 10), ("M10", 10.5, 11, 12), ("M12", 13, 13.5, 14.5)],
)
def test_iso_273(size, fine, medium, coarse):  # published
    assert standards.clearance_hole(size, "fine").diameter == fine
    assert standards.clearance_hole(size).diameter == medium
    assert standards.clearance_hole(size, "coarse").diameter == coarse


def test_clearance_holes_rise():
    for row in standards.table("clearance_holes"):
        d, fine = float(row["size"][1:]), float(row["fine"])
        assert d < fine < float(row["medium"]) < float(row["coarse"])


@pytest.mark.parametrize("row", standards.threads(), ids=lambda r: f"{r.size} x {r.pitch}")
def test_threads_obey_iso_724(row):
    d, p = row.diameter, row.pitch
    assert float(row.size[1:]) == d
    assert row.pitch_diameter == pytest.approx(d - 0.649519 * p, abs=6e-4)
    assert row.minor_internal == pytest.approx(d - 1.082532 * p, abs=6e-4)
    assert row.minor_external == pytest.approx(d - 1.226869 * p, abs=6e-4)
    mean = (row.pitch_diameter + row.minor_external) / 2
    assert row.stress_area == pytest.approx(math.pi / 4 * mean**2, abs=0.06)
    assert row.tap_drill == pytest.approx(d - p, abs=0.06)


def test_washers_go_over_the_thread_and_under_the_head():
    for row in standards.washers():
        d = float(row.size[1:])
        assert d < row.inside_diameter < row.outside_diameter
        assert row.thickness < row.thickness_max
        assert row.outside_diameter > standards.screw("ISO 4762", row.size).bearing_diameter


@pytest.mark.parametrize(
    ("across_flats", "corners", "arm", "short"),
    [  # ISO 2936 series as printed in JIS B 4648:2008
        (4, 4.53, 74, 29),
        (5, 5.67, 85, 33),
        (6, 6.81, 96, 38),
        (8, 9.09, 108, 44),
        (10, 11.37, 122, 50),
    ],
)
def test_hex_keys(across_flats, corners, arm, short):
    key = next(k for k in standards.hex_keys() if k.across_flats == across_flats)
    assert (key.across_corners, key.arm, key.short_arm) == (corners, arm, short)


def test_hex_keys_are_hexagons_of_rising_length():
    for key in standards.hex_keys():
        # Across corners at most 2/sqrt 3 s, at least 1.12 s (corners are rounded off).
        assert 1.12 - 1e-9 <= key.across_corners / key.across_flats <= 1.15471
        assert key.short_arm < key.arm < key.long_arm
    metric = [key for key in standards.hex_keys() if "/" not in key.size]
    assert [k.arm for k in metric] == sorted(k.arm for k in metric)


def test_a_socket_goes_over_its_hexagon_and_keeps_to_the_limit():
    for row in standards.sockets():
        assert row.diameter > row.across_flats * 2 / math.sqrt(3) + 0.5
        assert row.diameter == max(row.measured_diameter, row.limit_diameter)
        # 1.25 s + 2.2: ISO 2725-1 from memory.
        assert row.limit_diameter == pytest.approx(1.25 * row.across_flats + 2.2)


def test_every_common_head_has_a_tool_and_every_drive_its_parts():
    keys = {k.across_flats for k in standards.hex_keys()}
    for size in standards.sizes("ISO 4762"):
        assert standards.screw("ISO 4762", size).across_flats in keys
    flats = {row.across_flats for row in standards.sockets()}
    for size in standards.sizes("ISO 4014"):
        assert standards.screw("ISO 4014", size).across_flats in flats
    for drive in {row.drive for row in (*standards.sockets(), *standards.bit_sockets())}:
        assert sum(row.drive == drive for row in standards.ratchets()) == 1
        assert sum(row.drive == drive for row in standards.extensions()) == 3
    for bar in standards.extensions():
        assert bar.shank_diameter < bar.end_diameter
        assert bar.end_length < bar.length


def test_starting_gaps_are_worded_as_such():
    gaps = {gap.kind: gap for gap in standards.starting_gaps()}
    assert list(gaps) == [
        "body panel",
        "hot part",
        "fuel line",
        "moving part",
        "engine-mounted part",
    ]
    assert all(gap.gap > 0 and "starting value" in gap.status for gap in gaps.values())
    # An inspection code (Maryland COMAR 11.22.02.11): 1.5 in between exhaust and fuel system.
    assert gaps["fuel line"].gap == gaps["hot part"].gap == pytest.approx(38.1, abs=0.11)
    for kind in ("hot part", "fuel line"):
        assert "local codes and the maker's figures come first" in gaps[kind].status


def test_what_is_not_in_a_table_is_refused_with_what_is():
    with pytest.raises(InputError, match=r"no head \"ISO 1\".*ISO 4762, DIN 7984"):
        standards.screw("ISO 1", "M8")
    with pytest.raises(InputError, match=r"no size \"M7\".*M4, M5, M6"):
        standards.screw("ISO 4762", "M7")
    with pytest.raises(InputError, match=r"no clearance hole for \"M7\".*M3, M4"):
        standards.clearance_hole("M7")


@pytest.mark.parametrize(
    ("material", "alpha"),
    [  # Callister, table B.6, 1e-6 per kelvin, published
        ("Al 356.0 (A356)", 21.5),
        ("Al 6061", 23.6),
        ("grey iron G1800-G4000", 11.4),
        ("steel A36/1020", 11.7),
        ("stainless 304", 17.2),
        ("Mg AZ91D", 26.0),
    ],
)
def test_thermal_expansion_of_metals(material, alpha):
    row = standards.expansion(material)
    assert (row.low, row.high, row.uniform) == (alpha, alpha, "yes")


def test_thermal_expansion_is_a_range_where_the_source_has_one():
    for row in standards.expansions():
        assert 5 < row.low <= row.high < 300
        assert row.uniform in ("yes", "no")
    assert (standards.expansion("SLS PA12").low, standards.expansion("SLS PA12").high) == (80, 110)
    # Printed with fibres: 22 along and 248 across the layers (Faust et al. 2021, abstract).
    fibre = standards.expansion("nylon + short carbon, FFF, along/across")
    assert (fibre.low, fibre.high, fibre.uniform) == (22, 248, "no")
    metals = [row.high for row in standards.expansions() if "Callister" in row.source]
    plastics = [row.low for row in standards.expansions() if row.high > 60]
    assert max(metals) < min(r for r in plastics if r > 22)
    with pytest.raises(InputError, match=r"no material \"tin\".*Al 6061"):
        standards.expansion("tin")
