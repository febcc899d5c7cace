"""Tables of hand tools with their motion: figures that fit one another, and published values."""

from __future__ import annotations

import math

import pytest

from geomcheck import standards


def test_a_ratchet_moves_on_by_a_tooth_and_its_slack():
    # 360 / 36 teeth is 10 degrees (arithmetic); slack 1 to 3 degrees, common practice, no source.
    for row in (*standards.ratchets(), *standards.torque_wrenches()):
        assert row.arc == pytest.approx(13.0)
        assert row.handle_length > 3.0 * row.head_diameter
        assert row.handle_width <= row.head_diameter
        assert row.handle_height <= row.head_height


def test_every_drive_has_a_ratchet_a_torque_wrench_a_joint_and_a_deep_length():
    drives = {row.drive for row in (*standards.sockets(), *standards.bit_sockets())}
    for rows in (
        standards.ratchets(),
        standards.torque_wrenches(),
        standards.universal_joints(),
        standards.deep_sockets(),
    ):
        assert sorted(row.drive for row in rows) == sorted(drives)
    for wrench in standards.torque_wrenches():
        ratchet = next(row for row in standards.ratchets() if row.drive == wrench.drive)
        assert wrench.handle_length > ratchet.handle_length
    for deep in standards.deep_sockets():
        plain = [row.length for row in standards.sockets() if row.drive == deep.drive]
        assert deep.length > max(plain)


def test_leaning_limits():
    # Ball ends 25 to 30 degrees at most (two pages), swivel sockets to 30 (one page).
    assert {row.tilt for row in standards.ball_ends()} == {25.0}
    assert {row.tilt for row in standards.universal_joints()} == {30.0}
    sizes = {key.size for key in standards.hex_keys()}
    assert {row.size for row in standards.ball_ends()} <= sizes
    for joint in standards.universal_joints():
        assert 0.0 < joint.pivot < joint.length


@pytest.mark.parametrize("row", standards.spanners(), ids=lambda r: f"{r.kind} {r.size}")
def test_a_spanner_goes_round_its_hexagon(row):
    corners = 2.0 * row.across_flats / math.sqrt(3.0)
    assert row.head_width > corners + 2.0
    assert row.length > 4.0 * row.head_width
    assert row.arc == 30.0
    assert row.rise == (15.0 if row.kind == "ring" else 0.0)
    if "/" in row.size:
        above, below = row.size.split("/")
        assert row.across_flats == pytest.approx(25.4 * int(above) / int(below), abs=1e-3)


@pytest.mark.parametrize(
    ("size", "widest"), [("7/16", 0.695), ("1/2", 0.775), ("9/16", 0.868), ("5/8", 0.946)]
)
def test_ring_spanners_are_no_slimmer_than_published_ones(size, widest):
    # A-A-1346A, 3.2: greatest outside diameter of head, inches. The figure here must hold it.
    row = next(r for r in standards.spanners() if (r.kind, r.size) == ("ring", size))
    assert row.head_width >= 25.4 * widest


def test_common_heads_have_spanners():
    flats = {(row.kind, row.across_flats) for row in standards.spanners()}
    for head in ("ISO 4014", "DIN 931", "EN 1665", "EN 1662"):
        for size in standards.sizes(head):
            across = standards.screw(head, size).across_flats
            assert {("open", across), ("ring", across)} <= flats


def test_inch_screws_have_bits_and_keys():
    bits = [row.across_flats for row in standards.bit_sockets()]
    for size in standards.sizes("ASME B18.3"):
        across = standards.screw("ASME B18.3", size).across_flats
        assert any(abs(across - bit) < 0.02 for bit in bits)


def test_a_hand_is_wider_than_its_fingers():
    (hand,) = standards.hands()
    assert hand.finger < hand.finger_reach < hand.length
    assert hand.width > 2.0 * hand.finger
