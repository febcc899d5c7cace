"""Lines along a travel against closed-form cases: boxes that pass, touch, and meet."""

import math

import numpy as np
import pytest
import trimesh

from geomcheck.verify.fasten.lines import Run
from geomcheck.verify.fasten.travel import meets

UP = (0.0, 0.0, 1.0)


def box(low, high):
    return np.array(trimesh.creation.box(bounds=[low, high]).triangles)


def turned(triangles, turn):
    return triangles @ turn[:3, :3].T


CUBE = box([-10, -10, 0], [10, 10, 20])


@pytest.mark.parametrize(
    ("other", "length", "wide"),
    [
        # Stands on it, beside it in touch, ahead of it.
        (box([-30, -30, -10], [30, 30, 0]), math.inf, False),
        (box([10, -30, -10], [30, 30, 60]), math.inf, False),
        (box([-30, -30, 50], [30, 30, 60]), math.inf, True),
        # Ahead, but not reached; reached.
        (box([-30, -30, 50], [30, 30, 60]), 29.0, False),
        (box([-30, -30, 50], [30, 30, 60]), 31.0, True),
        # A rim that overlaps by less, and by more, than is allowed.
        (box([9.9, -30, 50], [30, 30, 60]), math.inf, False),
        (box([9.3, -30, 50], [30, 30, 60]), math.inf, True),
        # It stands 0.1 mm in what it leaves; and 0.5 mm.
        (box([-30, -30, -10], [30, 30, 0.1]), math.inf, False),
        (box([-30, -30, -10], [30, 30, 0.5]), math.inf, True),
        # Thin sheet metal ahead, nearer than is allowed.
        (box([-30, -30, 20.05], [30, 30, 20.1]), math.inf, True),
        # Touching it from ahead.
        (box([-30, -30, 20], [30, 30, 30]), math.inf, True),
    ],
)
@pytest.mark.parametrize("angle", [0.0, 0.7])
def test_boxes(other, length, wide, angle):
    """With 0.2 mm allowed."""
    turn = trimesh.transformations.rotation_matrix(angle, (1, 2, 3))
    found = meets(Run(turn[:3, :3] @ UP, 0.2, length), turned(CUBE, turn), turned(other, turn))
    assert found.wide is wide
    if wide:
        # The place shown is on the other box, whose planes are known.
        place = found.point @ turn[:3, :3]
        low, high = other.min(axis=(0, 1)), other.max(axis=(0, 1))
        assert (place >= low - 1e-9).all() and (place <= high + 1e-9).all()
        assert np.isclose(place[2], [low[2], high[2]], atol=1e-9).any()
    else:
        assert found.lines == 0 and found.point is None and found.complete


def test_a_pin_comes_out_of_its_hole():
    """A pin of 10 mm in a hole of 10.02 mm, both with facets: the corners overlap by 0.03 mm."""
    pin = trimesh.creation.cylinder(radius=5.0, height=30.0, sections=48)
    plate = trimesh.creation.annulus(r_min=5.01, r_max=30.0, height=10.0, sections=31)
    found = meets(Run(UP, 0.2), np.array(pin.triangles), np.array(plate.triangles))
    assert not found.wide
    head = trimesh.creation.cylinder(radius=8.0, height=5.0)
    head.apply_translation([0, 0, -12])
    bolt = np.concatenate([pin.triangles, head.triangles])
    assert meets(Run(UP, 0.2), bolt, np.array(plate.triangles)).wide


def test_a_tall_plate_is_seen_by_lines_between_its_corners():
    """The corners of two plates are far from where they meet."""
    plate = box([-500, -0.4, 0], [500, 0.4, 20])
    other = box([-0.4, -500, 300], [0.4, 500, 320])
    assert meets(Run(UP, 0.2), plate, other).wide
    assert not meets(Run(UP, 1.0), plate, other).wide


def test_only_near_a_place():
    other = box([-30, -30, 50], [30, 30, 60])
    assert meets(Run(UP, 0.2), CUBE, other, about=(9.0, 9.0, 50.0), reach=2.0).wide
    assert not meets(Run(UP, 0.2), CUBE, other, about=(20.0, 20.0, 50.0), reach=2.0).lines


def test_a_sheet_in_touch_counts():
    """Half a millimetre of overlap is allowed to solids; a sheet has no depth to tell."""
    other = box([-30, -30, -10], [30, 30, 0.1])
    assert not meets(Run(UP, 0.5), CUBE, other).wide
    assert meets(Run(UP, 0.5), CUBE, other, sheet=True).wide


def test_nothing_allowed_is_no_proof():
    other = box([30, 30, 50], [40, 40, 60])
    assert meets(Run(UP, 0.2), CUBE, other).complete
    assert not meets(Run(UP, 0.0), CUBE, other).complete
