"""Laying patches of one surface on another."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from geomcheck.errors import InputError
from geomcheck.mesh.placement import apply, rigid
from geomcheck.mesh.refine import refine


def scattered(noise=0.0, seed=1):
    """Points on three faces of a box of 200 x 120 x 80, as patches, and the box."""
    rng = np.random.default_rng(seed)
    box = trimesh.creation.box((200, 120, 80))
    u, v = rng.uniform(-30, 30, (2, 3, 200))
    patches = [
        np.column_stack([np.full(200, 100.0), u[0], v[0]]),
        np.column_stack([u[1], np.full(200, 60.0), v[1]]),
        np.column_stack([u[2], v[2], np.full(200, 40.0)]),
    ]
    return [patch + rng.normal(0, noise, patch.shape) for patch in patches], box


FACES = [np.tile(row, (200, 1)) for row in np.eye(3)]


def lay(patches, box, which=(0, 1, 2), move=None, **more):
    """The patches after a motion, laid back on the box."""
    there = np.eye(4) if move is None else move
    points = [apply(there, patch) for patch in patches]
    return refine(
        points, [FACES[k][: len(p)] for k, p in zip(which, points, strict=True)], box, **more
    )


MOVE = rigid([((1, 2, 3), 0.8, (20, 0, 0))], (0.7, -0.4, 0.9))


@pytest.mark.parametrize("trim", [0.0, 0.3])
def test_a_known_motion_is_found(trim):
    patches, box = scattered()
    found = lay(patches, box, move=MOVE, trim=trim)
    assert found.matrix @ MOVE == pytest.approx(np.eye(4), abs=1e-6)
    assert found.rms < 1e-6 and found.kept == int(np.ceil((1 - trim) * 600))
    assert found.moved == pytest.approx(
        max(np.linalg.norm(apply(MOVE, p) - p, axis=1).max() for p in patches), abs=1e-5
    )


def test_the_motion_found_is_that_of_a_general_minimiser():
    """scipy.optimize.least_squares on the distances to the three faces' planes, with noise."""
    from scipy.optimize import least_squares

    patches, box = scattered(noise=0.05)
    moved = [apply(MOVE, p) for p in patches]
    found = lay(moved, box, trim=0.0)

    def distances(x):
        turn = Rotation.from_rotvec(x[:3])
        return np.concatenate(
            [
                turn.apply(patch)[:, axis] + x[3 + axis] - half
                for axis, (patch, half) in enumerate(zip(moved, (100, 60, 40), strict=True))
            ]
        )

    best = least_squares(distances, np.zeros(6), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    assert found.rms == pytest.approx(np.sqrt(np.mean(best.fun**2)), rel=1e-6)
    assert found.matrix[:3, :3] == pytest.approx(
        Rotation.from_rotvec(best.x[:3]).as_matrix(), abs=1e-5
    )


def test_outliers_are_trimmed():
    patches, box = scattered(noise=0.01)
    patches[0][:30] += (2.0, 0, 0)
    found = lay(patches, box, move=MOVE, trim=0.2)
    assert (found.matrix @ MOVE)[:3, 3] == pytest.approx(np.zeros(3), abs=0.02)
    plain = lay(patches, box, move=MOVE, trim=0.0)
    assert abs((plain.matrix @ MOVE)[0, 3]) > 0.1


def test_the_true_place_lies_within_the_amount():
    """Noise on single points and an offset of each whole patch of the same size."""
    rng = np.random.default_rng(8)
    place = np.array([[160.0, 90.0, -60.0]])
    inside = []
    for trial in range(60):
        patches, box = scattered(noise=0.05, seed=trial)
        for axis, patch in enumerate(patches):
            patch[:, axis] += rng.normal(0, 0.05)
        found = lay(patches, box, trim=0.0)
        off = apply(found.matrix, place) - place
        inside.extend(np.abs(off[0]) <= found.alignment.amount(place)[0])
    # Offsets of three patches are taken up by the fit and leave no residual of their own: what
    # is left is the noise, from which the amount is built.
    assert np.mean(inside) > 0.95


def test_bulge_of_the_other_part_widens():
    patches, box = scattered(noise=0.02)
    thin, thick = lay(patches, box), lay(patches, box, bulge=0.1)
    here = np.zeros((1, 3))
    assert thick.alignment.amount(here)[0] > 3 * thin.alignment.amount(here)[0]


@pytest.mark.parametrize(
    ("keep", "words"),
    [
        ([2], r"free to (slide along|turn about)"),
        ([0, 2], r"free to slide along \(0.00, 1.00, 0.00\)"),
    ],
)
def test_patches_that_leave_a_motion_free_are_refused(keep, words):
    patches, box = scattered()
    with pytest.raises(InputError, match=words):
        lay([patches[k] for k in keep], box, keep)


def test_a_cylinder_leaves_its_axis_free():
    rng = np.random.default_rng(0)
    angle, height = rng.uniform(0, 2 * np.pi, 400), rng.uniform(-20, 20, 400)
    points = np.column_stack([30 * np.cos(angle), 30 * np.sin(angle), height])
    tube = trimesh.creation.cylinder(radius=30, height=200, sections=256)
    with pytest.raises(InputError, match=r"free to (slide along|turn about) \(0\.0\d, 0\.0\d, 1"):
        refine([points], [points * (1 / 30, 1 / 30, 0)], tube)


def test_far_and_empty_patches_are_refused():
    patches, box = scattered()
    with pytest.raises(InputError, match=r"only 0 of 600 corners .* within 5 mm"):
        lay([p + 300 for p in patches], box)
    with pytest.raises(InputError, match="patch 2 holds 3 corners"):
        lay([patches[0], patches[1][:3]], box, (0, 1))
    with pytest.raises(InputError, match="did not settle in 1 rounds"):
        lay(patches, box, move=MOVE, rounds=1)


def test_points_beyond_an_edge_do_not_pull():
    """Half of one patch hangs over the box's edge: its feet lie on the edge and are left out."""
    patches, box = scattered()
    over = patches[2] + (85.0, 0, 0)
    found = lay([*patches[:2], over], box, trim=0.0)
    assert found.matrix == pytest.approx(np.eye(4), abs=1e-9)
    assert found.kept == 400 + int((over[:, 0] <= 100).sum())


def test_the_same_bytes_every_time():
    patches, box = scattered(noise=0.05)
    first, second = lay(patches, box), lay(patches, box)
    assert first.matrix.tobytes() == second.matrix.tobytes()


@pytest.mark.parametrize("lever", [0.0, 50.0, 400.0])
def test_the_amount_at_a_place_is_its_closed_form(lever):
    """Six faces of a cube, so that shifts and turns do not mix.

    Each of 2 faces holds a shift along its normal by n points, and a turn is held by the squared
    distances of the points of 4 faces from their middle lines. Every point is off by e, so the
    scatter is 1.4826 e; what a patch has in common moves the part by the mean of two.
    """
    side, e = 25.0, 0.1
    u = np.linspace(-20, 20, 9)
    flat = np.stack(np.meshgrid(u, u), axis=-1).reshape(-1, 2)
    n, squares = len(flat), float((flat[:, 0] ** 2).sum())
    # Off by +e and -e in turn, and by 0 in the middle, which leaves nothing to be mended.
    sign = (-1.0) ** np.arange(n) * (np.arange(n) != n // 2)
    patches, facing = [], []
    for axis in range(3):
        for way in (-1.0, 1.0):
            points = np.insert(flat, axis, way * side, axis=1)
            points[:, axis] += way * e * sign
            patches.append(points)
            facing.append(np.tile(way * np.eye(3)[axis], (n, 1)))
    cube = trimesh.creation.box((50, 50, 50)).triangles
    found = refine(patches, facing, cube, trim=0.0)
    assert found.moved < 1e-9
    scatter = 1.4826 * e
    variance = 1 / (2 * n) + 1 / 2 + lever**2 / (4 * squares)
    want = 1.96 * scatter * np.sqrt(variance)
    place = np.array([[lever, 0.0, 0.0]])
    assert found.alignment.amount(place)[0] == pytest.approx(want, rel=1e-9)
