"""The outline of a face on which GEOS gives up: triangles united, against closed forms."""

import numpy as np
import pytest
import shapely

from geomcheck.fit.face import Frame

FRAME = Frame(np.zeros(3), np.eye(3)[:2], np.array([0.0, 0.0, 1.0]))


@pytest.mark.parametrize("fails", [False, True])
def test_the_area_is_that_of_the_square(monkeypatch, fails):
    """GEOS may give up on sides that nearly meet: a TopologyException, no area."""

    def gives_up(_lines):
        raise shapely.GEOSException("TopologyException: side location conflict")

    if fails:
        monkeypatch.setattr("geomcheck.fit.face.shapely.build_area", gives_up)
    corners = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]], dtype=float)
    assert FRAME.outline(corners[[[0, 1, 2], [0, 2, 3]]]).area == pytest.approx(100.0)


def test_triangles_folded_over_count_once():
    """A strip folded back by 4 of its 10 mm covers what it did before."""
    x = [0.0, 10.0, 6.0]
    rows = np.array([[a, y, 0.0] for a in x for y in (0.0, 5.0)])
    # Corners (0, 1), (2, 3), (4, 5) stand at x = 0, 10 and 6.
    faces = [[0, 2, 3], [0, 3, 1], [2, 4, 5], [2, 5, 3]]
    assert FRAME.outline(rows[faces]).area == pytest.approx(50.0)
