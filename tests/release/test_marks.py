"""Marks of surfaces: kept by the same shape, lost by a moved one."""

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.release.marks import mark, same

AT = (3.0, -2.0, 10.0)


def ball(**keywords):
    return trimesh.creation.icosphere(radius=10.0, **keywords)


def test_distances_are_those_of_the_shape():
    """Of a wall z = 10 seen from about a point on it, every distance is the height over it."""
    wall = trimesh.creation.box((400, 400, 20))
    text = mark(wall.triangles, AT, 8.0)
    assert same(text, wall.triangles, AT, 8.0)
    # 48 points on each of two spheres, spread evenly: heights of equal areas of a sphere are
    # spread evenly too (Archimedes), so a shift along z by d is seen in full at the poles
    for shift, kept in ((0.01, True), (0.02, True), (0.06, False), (0.5, False)):
        moved = wall.copy().apply_translation((0, 0, shift))
        assert same(text, moved.triangles, AT, 8.0) is kept, shift


def test_other_facets_of_the_same_shape_keep_it():
    wall = trimesh.creation.box((40, 40, 20))
    text = mark(wall.triangles, AT, 8.0)
    finer = wall.subdivide().subdivide()
    shuffled = finer.triangles[np.random.default_rng(3).permutation(len(finer.triangles))]
    assert same(text, shuffled, AT, 8.0)
    # a finer export of a ball moves its surface by the chord error, which is allowed for
    coarse, fine = ball(subdivisions=4), ball(subdivisions=5)
    at = tuple(coarse.vertices[7])
    error = 10.0 * (1 - np.cos(0.5 * coarse.edges_unique_length.max() / 10.0))
    known = mark(coarse.triangles, at, 5.0)
    assert same(known, fine.triangles, at, 5.0, 2 * error)
    assert not same(known, ball(subdivisions=1).triangles, at, 5.0)


@pytest.mark.parametrize("size", [0.5, 1.0, 3.0])
def test_what_is_put_on_the_wall_loses_it(size):
    wall = trimesh.creation.box((40, 40, 20))
    text = mark(wall.triangles, AT, 8.0)
    boss = trimesh.creation.cylinder(3.0, 2 * size).apply_translation((5.0, -2.0, 10.0))
    grown = np.concatenate([wall.triangles, boss.triangles])
    assert not same(text, grown, AT, 8.0)


def test_what_lies_far_away_does_not_matter():
    wall = trimesh.creation.box((40, 40, 20))
    text = mark(wall.triangles, AT, 8.0)
    far = trimesh.creation.box((5, 5, 5)).apply_translation((3.0, -2.0, 40.0))
    assert same(text, np.concatenate([wall.triangles, far.triangles]), AT, 8.0)


@pytest.mark.parametrize("text", ["", "nonsense", "0" * 235, "ä", '"'])
def test_what_is_no_mark_is_refused(text):
    with pytest.raises(InputError, match="no mark"):
        same(text, ball().triangles, AT, 8.0)
