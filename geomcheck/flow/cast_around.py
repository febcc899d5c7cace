"""A void given as a solid, turned into walls: a block of metal cast around it."""

from __future__ import annotations

import numpy as np

from geomcheck.flow.section import FloatArray, Surface

#: The block reaches this share of the void's size beyond it on every side.
_REACH = 0.25
_BOX_FACES = np.array(
    [
        [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
        [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3],
    ]
)  # fmt: skip


def cast_around(void: Surface) -> Surface:
    """Walls whose free space is what the solid fills.

    The solid's faces are turned round, and a box stands about them with its faces outwards:
    between the two is metal, inside the solid is none. What holds for the inside of the solid's
    facets holds for the outside of the walls', so the chord errors change places.

    Parameters
    ----------
    void : Surface
        Closed, mm.

    Returns
    -------
    Surface
        Of the same name; the solid's triangles come first, in their order.
    """
    low, high = void.vertices.min(axis=0), void.vertices.max(axis=0)
    reach = _REACH * float((high - low).max())
    ends = np.array([low - reach, high + reach])
    corners = np.array([[ends[i, 0], ends[j, 1], ends[k, 2]] for i, j, k in np.ndindex(2, 2, 2)])
    vertices: FloatArray = np.concatenate([void.vertices, corners])
    faces = np.concatenate([void.faces[:, ::-1], _BOX_FACES + len(void.vertices)])
    none = np.zeros(len(_BOX_FACES))
    return Surface(
        vertices,
        faces,
        void.name,
        closed=void.closed,
        outward=np.concatenate([void.inward, none]),
        inward=np.concatenate([void.outward, none]),
    )
