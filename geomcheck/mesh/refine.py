"""Refining a placement on chosen patches of the surface.

Iterated closest points, point to plane (Y. Chen and G. Medioni, Image and Vision Computing 10
(1992) 145; trimmed as by D. Chetverikov and others, ICPR 2002; both from memory). Each round pairs
every corner of the patches with the nearest point of the other part, leaves out pairs farther
apart than a limit, pairs that do not stand upright on a facet that faces as the patch does (the
nearest point of what hangs over an edge lies on that edge) and the worst share of the rest, and
solves the linearised least squares for the small motion. It ends when that motion no longer moves
any corner by ``SETTLED``. It is a local search: the first placement must be near, which is what
the datum points are for.

Uncertainty. The rows of the system are ``a = [(p - c) x n, n]``; with ``M = (A^T A)^-1`` a
displacement e of single points along their normals moves the part by ``M A^T e``. The scatter s
of the pairs kept is used twice: as noise of single points, ``s^2 M``, and as an error that a whole
patch may have in common (a coat of paint, a worn face, a shift within the scan), which averaging
does not reduce: ``s^2 M (sum over patches h h^T) M`` with h the sum of the patch's rows. The
amount is 1.96 standard deviations (95 %, many degrees of freedom).

Patches that leave a motion free (all on parallel planes, on one cylinder) are refused: the
eigenvalues of ``A^T A / n``, with turns measured at the patches' own lever, say how firmly each
motion is held (N. Gelfand and others, Geometrically stable sampling for the ICP algorithm, 3DIM
2003, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.mesh.given import as_points
from geomcheck.mesh.placement import apply
from geomcheck.mesh.query import point_distance
from geomcheck.mesh.registration import Alignment
from geomcheck.mesh.tree import TriangleTree, as_tree

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Motion (mm) of the patches' corners at which the search has settled.
SETTLED = 1e-5
#: Cosine of the greatest angle between a pair and the facet's normal.
UPRIGHT = 0.7
#: Least eigenvalue of the normalised system for a motion to count as held.
HELD = 2e-3
#: Corners a patch must have, and share of all that must find a partner.
FEW, HALF = 6, 0.5


@dataclass(frozen=True, eq=False)
class Refined:
    """A placement refined on patches.

    Parameters
    ----------
    matrix : (4, 4) float64
        Rigid motion to be done after the first placement.
    rms : float
        Of the distances along the normals of the pairs kept, mm.
    kept, points : int
        Pairs used, of how many corners in the patches.
    rounds : int
    moved : float
        Greatest displacement of a patch's corner by ``matrix``, mm.
    alignment : Alignment
    """

    matrix: FloatArray
    rms: float
    kept: int
    points: int
    rounds: int
    moved: float
    alignment: Alignment


def refine(
    patches: Sequence[Any],
    facing: Sequence[Any],
    to: Any,
    *,
    within: float = 5.0,
    trim: float = 0.2,
    rounds: int = 60,
    bulge: float = 0.0,
    name: str = "alignment",
) -> Refined:
    """Rigid motion that lays patches of a part on another part.

    Parameters
    ----------
    patches : sequence of (n_i, 3) float
        Corners of each patch, placed roughly, mm.
    facing : sequence of (n_i, 3) float
        Unit normals of the patches there, of either sign.
    to : TriangleTree, Trimesh or (m, 3, 3) float
        What they belong on.
    within : float
        Pairs farther apart than this, mm, are left out.
    trim : float
        Share of the pairs left out as the worst, 0 to 0.5.
    rounds : int
        Most rounds.
    bulge : float
        How far the true surface of ``to`` may stand off its facets, mm; added to the scatter.
    name : str
        Name of the alignment.

    Raises
    ------
    InputError
        A patch is nearly empty, too few corners find a partner, a motion is not held, or the
        search does not settle.
    """
    rows = [as_points(patch, "a patch") for patch in patches]
    for number, patch in enumerate(rows):
        if len(patch) < FEW:
            raise InputError(
                f"patch {number + 1} holds {len(patch)} corners of the mesh",
                remedy="Put it where the part has surface, or make it larger",
            )
    points = np.concatenate(rows)
    normals = np.concatenate([as_points(normal, "normals of a patch") for normal in facing])
    owner = np.repeat(np.arange(len(rows)), [len(patch) for patch in rows])
    tree = as_tree(to)
    ground = _Ground(tree, _normals(tree.triangles, tree.order), within, trim)
    total = np.eye(4)
    count = 0
    for _ in range(rounds):
        count += 1
        here = apply(total, points)
        system = ground.pairs(here, normals @ total[:3, :3].T, owner)
        step = system.step()
        following = apply(step, here)
        total = step @ total
        if float(np.linalg.norm(following - here, axis=1).max()) < SETTLED:
            break
    else:
        raise InputError(
            f"laying the patches on each other did not settle in {rounds} rounds",
            remedy="Choose larger patches, on surfaces that both parts have, or better datums",
        )
    here = apply(total, points)
    system = ground.pairs(here, normals @ total[:3, :3].T, owner)
    scatter = max(system.scatter, 1e-12) + bulge
    words = f"laid on {len(rows)} patches, {len(system.off)} points, RMS {system.rms:.3f} mm, 95 %"
    return Refined(
        matrix=total,
        rms=system.rms,
        kept=len(system.off),
        points=len(points),
        rounds=count,
        moved=float(np.linalg.norm(here - points, axis=1).max()),
        alignment=Alignment(
            name, words, system.centre, (1.96 * scatter) ** 2 * system.covariance(len(rows))
        ),
    )


@dataclass(frozen=True, eq=False)
class _System:
    """Pairs of one round: signed distances and the rows that say how a motion changes them."""

    rows: FloatArray
    off: FloatArray
    owner: IntArray
    centre: FloatArray
    scatter: float

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.off**2)))

    def step(self) -> FloatArray:
        """The small motion, as an exact rotation about the centre and a shift."""
        self._check_held()
        motion: FloatArray = np.asarray(np.linalg.lstsq(self.rows, -self.off, rcond=None)[0])
        return _motion(motion, self.centre)

    def _check_held(self) -> None:
        lever = float(np.sqrt(np.mean((self.rows[:, :3] ** 2).sum(axis=1)))) or 1.0
        scaled = self.rows.copy()
        scaled[:, :3] /= lever
        values, vectors = np.linalg.eigh(scaled.T @ scaled / len(scaled))
        if values[0] >= HELD:
            return
        turn, shift = vectors[:3, 0], vectors[3:, 0]
        main, word = (turn, "turn about") if turn @ turn > shift @ shift else (shift, "slide along")
        main = main / np.linalg.norm(main)
        main = (main * np.sign(main[np.argmax(np.abs(main))])).round(2) + 0.0
        raise InputError(
            f"the patches leave the part free to {word} "
            f"({main[0]:.2f}, {main[1]:.2f}, {main[2]:.2f})",
            remedy="Add a patch whose surface stands in the way of that motion",
        )

    def covariance(self, patches: int) -> FloatArray:
        """(6, 6) for a unit scatter; see the module's docstring."""
        inverse = np.linalg.inv(self.rows.T @ self.rows)
        sums = np.stack([self.rows[self.owner == k].sum(axis=0) for k in range(patches)])
        both: FloatArray = inverse + inverse @ (sums.T @ sums) @ inverse
        return both


@dataclass(frozen=True, eq=False)
class _Ground:
    """What the patches are laid on, and which pairs count."""

    tree: TriangleTree
    normals: FloatArray
    within: float
    trim: float

    def pairs(self, here: FloatArray, facing: FloatArray, owner: IntArray) -> _System:
        near = point_distance(self.tree, here, self.within)
        found = near.triangle >= 0
        between = np.where(found[:, None], here - near.point, 0.0)
        normal = self.normals[near.triangle]
        off = np.einsum("ij,ij->i", between, normal)
        # A pair too short to have a direction lies on the surface, whichever way.
        found &= np.abs(off) >= UPRIGHT * near.distance - 1e-9
        found &= np.abs(np.einsum("ij,ij->i", facing, normal)) >= UPRIGHT
        if found.sum() < max(HALF * len(here), FEW):
            raise InputError(
                f"only {int(found.sum())} of {len(here)} corners of the patches have the other "
                f"part within {self.within:g} mm, facing as they do",
                remedy="Choose patches that both parts have, widen within, or check the datums",
            )
        numbers = np.flatnonzero(found)
        order = numbers[np.argsort(np.abs(off[numbers]), kind="stable")]
        kept = np.sort(order[: max(int(np.ceil((1.0 - self.trim) * len(order))), FEW)])
        centre = here[kept].mean(axis=0)
        rows = np.concatenate([np.cross(here[kept] - centre, normal[kept]), normal[kept]], axis=1)
        # 1.4826 times the median is the standard deviation of a normal scatter; trimming does
        # not touch it.
        median = 1.4826 * float(np.median(np.abs(off[numbers])))
        scatter = max(median, float(np.sqrt(np.mean(off[kept] ** 2))))
        return _System(rows, off[kept], owner[kept], centre, scatter)


def _normals(triangles: FloatArray, order: Any) -> FloatArray:
    """(m, 3) unit normals in the caller's order of a tree's triangles; zero without area."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1)
    out = np.zeros_like(normal)
    out[order] = normal / np.where(length > 0.0, length, 1.0)[:, None]
    return out


def _motion(motion: FloatArray, centre: FloatArray) -> FloatArray:
    """Rotation vector (radians) about a centre, then a shift, as a matrix."""
    angle = float(np.linalg.norm(motion[:3]))
    out = np.eye(4)
    if angle > 0.0:
        x, y, z = motion[:3] / angle
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        out[:3, :3] += np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross)
    out[:3, 3] = centre - out[:3, :3] @ centre + motion[3:]
    return out
