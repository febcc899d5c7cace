"""Alter a part's mesh as a mistake in the model or on export would."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.part import Part
from geomcheck.mesh.placement import apply, inverse
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.sagitta import Sagitta, estimate
from geomcheck.mesh.soundness import judge

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Sides of the triangles that are moved, as a share of the region's radius.
FINE = 0.25
#: Rounds of halving at most: a side of a metre gets shorter than a millimetre.
ROUNDS = 24
#: Corners that lie no farther from the surface than this are on it, mm.
SAME = 0.2


def rebuilt(part: Part, points: FloatArray, faces: IntArray) -> Part:
    """The part with another mesh, judged anew.

    Parameters
    ----------
    part : Part
    points : (n, 3) float
        In the file's axes, mm.
    faces : (m, 3) int
    """
    edges = EdgeTable.of(faces, len(points))
    sound = judge(points, faces, edges)
    if part.sagitta.source == "declared":
        sagitta = Sagitta.declared(part.sagitta.largest, len(faces))
    else:
        sagitta = estimate(points, faces, sound, edges)
    return replace(
        part, vertices=part.placed(points), faces=faces, soundness=sound, sagitta=sagitta
    )


def in_file(part: Part) -> FloatArray:
    """(n, 3) corners in the file's axes, mm."""
    if part.place is None:
        return part.vertices
    return apply(inverse(part.place), part.vertices)


def grown(part: Part, at: FloatArray, height: float, radius: float) -> Part:
    """A region of the surface raised along its normals.

    Parameters
    ----------
    part : Part
    at : (3,) float
        A point on the surface, housing frame.
    height : float
        mm out of the material; full within half the radius, then falling off smoothly.
    radius : float
        Of the region, mm.
    """
    vertices, faces = halved(part.vertices, part.faces, at, radius, FINE * radius)
    corners = vertices[faces]
    facing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normals, faces[:, k], facing)
    length = np.linalg.norm(normals, axis=1)
    normals /= np.where(length > 0.0, length, 1.0)[:, None]
    off = np.linalg.norm(vertices - at, axis=1)
    # The far side of a thin wall faces the other way and stays.
    ahead = normals @ normals[int(np.argmin(off))] > 0.5
    share = np.clip((off / radius - 0.5) / 0.5, 0.0, 1.0)
    lift = np.where(ahead, 0.5 * (1.0 + np.cos(math.pi * share)), 0.0)
    moved = vertices + height * lift[:, None] * normals
    place = np.eye(4) if part.place is None else part.place
    return rebuilt(part, apply(inverse(place), moved), faces)


def halved(
    vertices: FloatArray, faces: IntArray, at: FloatArray, radius: float, size: float
) -> tuple[FloatArray, IntArray]:
    """The same surface with no side longer than ``size`` within ``radius`` of a point.

    Long sides are halved, and the triangles on both sides of them split, so that no crack opens.
    """
    corners = vertices[faces]
    out = np.maximum(corners.min(axis=1) - at, at - corners.max(axis=1))
    close = np.linalg.norm(np.maximum(out, 0.0), axis=1) <= radius
    # A side that is halved is near the point, and so are both triangles at it.
    others, mine = faces[~close], faces[close]
    for _ in range(ROUNDS):
        sides = np.sort(mine[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        keys, number = np.unique(sides[:, 0] * len(vertices) + sides[:, 1], return_inverse=True)
        first, second = np.divmod(keys, len(vertices))
        begin, along = vertices[first], vertices[second] - vertices[first]
        square = np.einsum("ij,ij->i", along, along)
        t = np.einsum("ij,ij->i", at - begin, along) / np.where(square > 0.0, square, 1.0)
        foot = begin + np.clip(t, 0.0, 1.0)[:, None] * along
        marked = (square > size * size) & (np.linalg.norm(foot - at, axis=1) < radius)
        if not marked.any():
            break
        middle = np.full(len(keys), -1, dtype=np.int64)
        middle[marked] = len(vertices) + np.arange(int(marked.sum()))
        vertices = np.concatenate([vertices, (begin + 0.5 * along)[marked]])
        mine = _split(mine, middle[number.reshape(-1, 3)])
    return vertices, np.concatenate([others, mine])


def _split(faces: IntArray, middle: IntArray) -> IntArray:
    """Triangles split at the middles of their sides; -1 where a side stays whole."""
    count = (middle >= 0).sum(axis=1)
    out = [faces[count == 0]]
    for k in range(3):
        # Turned so that the one marked side, or the one that is not, comes first.
        turn = [k, (k + 1) % 3, (k + 2) % 3]
        (a, b, c), (m, n, o) = faces[:, turn].T, middle[:, turn].T
        one = (count == 1) & (m >= 0)
        out += [np.stack(x, axis=1)[one] for x in ((a, m, c), (m, b, c))]
        two = (count == 2) & (m < 0)
        out += [np.stack(x, axis=1)[two] for x in ((n, c, o), (a, n, o), (a, b, n))]
    three = count == 3
    (a, b, c), (m, n, o) = faces.T, middle.T
    out += [np.stack(x, axis=1)[three] for x in ((a, m, o), (m, b, n), (o, n, c), (m, n, o))]
    return np.concatenate(out)


def mirrored(part: Part) -> tuple[Part, int] | None:
    """The part as its mirror image about its own middle, and the axis; None if it looks the same.

    The triangles are turned with it, as a CAD system does.
    """
    points, faces = in_file(part), part.faces
    for axis in np.argsort(points.max(axis=0) - points.min(axis=0))[::-1].tolist():
        image = flipped(points, axis)
        sample = part.placed(image[:: max(1, len(image) // 500)])
        if float(point_distance(part.tree, sample).distance.max()) > SAME:
            return rebuilt(part, image, np.ascontiguousarray(faces[:, ::-1])), axis
    return None


def differs(part: Part, other: Part) -> bool:
    """Whether a part's surface is anywhere off another's by more than the same would be."""
    for one, two in ((part, other), (other, part)):
        sample = one.vertices[:: max(1, len(one.vertices) // 500)]
        if float(point_distance(two.tree, sample).distance.max()) > SAME:
            return True
    return False


def swapped(part: Part, other: Part) -> Part:
    """The part with another's mesh, in its own place."""
    return rebuilt(part, in_file(other), other.faces)


def flipped(points: FloatArray, axis: int) -> FloatArray:
    """Points mirrored about the middle of their box."""
    image = points.copy()
    image[:, axis] = points[:, axis].min() + points[:, axis].max() - points[:, axis]
    return image


def scaled(part: Part, factor: float) -> Part:
    """The part as if its file's numbers were in another unit."""
    return rebuilt(part, in_file(part) * factor, part.faces)


def shifted(part: Part, move: FloatArray) -> Part:
    """The part ``move`` (mm, housing frame) away from where it belongs."""
    return replace(part, vertices=part.vertices + move)


def without(part: Part, triangle: int) -> Part:
    """The part with one triangle lost."""
    return rebuilt(part, in_file(part), np.delete(part.faces, triangle, axis=0))
