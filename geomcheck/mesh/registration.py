"""Placing a part by points that are known on both sides, and how well it then stands.

Rigid best fit of point pairs in the least-squares sense: W. Kabsch, Acta Cryst. A32 (1976) 922,
with the determinant set right as in S. Umeyama, IEEE PAMI 13 (1991) 376, without scale. The scale
and the mirror image that would fit best are computed beside it, only to tell the user of a wrong
unit or a mirrored scan; neither is ever applied.

Uncertainty of the placement. The fit leaves ``3 n - 6`` degrees of freedom, so the datum points'
own scatter in each coordinate is estimated as ``s^2 = sum r^2 / (3 n - 6)``. It moves the part by
a translation of variance ``s^2 / n`` at the middle of the points and a small rotation of variance
``s^2 J^-1``, with ``J = sum (|q|^2 I - q q^T)`` over the points q from their middle. At a place x
from the middle the displacement ``t + w x x`` then has the covariance
``s^2 (I / n + [x] J^-1 [x]^T)``: the formula for the target registration error of J. Fitzpatrick,
J. West and C. Maurer, IEEE Trans. Med. Imaging 17 (1998) 694 (from memory), by direction instead
of summed. Its greatest standard deviation in any direction, times Student's factor for 95 % and
these degrees of freedom (GUM, JCGM 100:2008, annex G.3, from memory), is the amount: with
three points that factor is 3.18. Where the accuracy of the datum points is declared and is more
than the residuals show, it stands for the factor times s.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from geomcheck.errors import InputError
from geomcheck.mesh.given import as_points

if TYPE_CHECKING:
    from geomcheck.mesh.refine import Refined

FloatArray: TypeAlias = NDArray[np.float64]

#: Share of their spread that points must stand off a line through them.
OFF_LINE = 0.02
#: Share of their spread within which points count as lying in one plane.
IN_PLANE = 0.02
#: How many times better a mirrored fit must be to speak of a mirrored part.
MIRROR_RATIO = 4.0
#: Part of the spread under which a residual cannot speak of a mirror: that is measuring error.
MIRROR_SHARE = 0.005
#: Coverage of the amounts.
COVERAGE = 0.95


@dataclass(frozen=True, eq=False)
class Alignment:
    """How far a placed part may stand off its true place, by place.

    Parameters
    ----------
    name : str
        What is aligned: ``alignment of bonnet``.
    words : str
        Where it comes from, for reports.
    centre : (3,) float64
        Point (mm) about which ``covariance`` is stated.
    covariance : (6, 6) float64
        Of the small rotation (radians) and the translation (mm), at the coverage of the amounts:
        its square roots are amounts, not standard deviations.
    fit : DatumFit or None
        The fit of datum points it began with.
    laid : Refined or None
        How it was then laid on another part; see :mod:`geomcheck.mesh.refine`.
    """

    name: str
    words: str
    centre: FloatArray
    covariance: FloatArray
    fit: DatumFit | None = None
    laid: Refined | None = None

    def amount(self, points: Any, slack: float = 0.0) -> FloatArray:
        """(n,) mm by which the part may be off at (n, 3) points, in the worst direction.

        A convex function of the place, so that it is greatest at a corner of any triangle. With
        ``slack`` (mm) a bound for all places within that distance.
        """
        q = np.asarray(points, dtype=np.float64) - self.centre
        lever = np.zeros((len(q), 3, 6))
        # Rotation w moves a point by w x q = -[q] w.
        lever[:, 0, 1], lever[:, 0, 2] = q[:, 2], -q[:, 1]
        lever[:, 1, 0], lever[:, 1, 2] = -q[:, 2], q[:, 0]
        lever[:, 2, 0], lever[:, 2, 1] = q[:, 1], -q[:, 0]
        lever[:, :, 3:] = np.eye(3)
        spread = np.einsum("nij,jk,nlk->nil", lever, self.covariance, lever, optimize=True)
        off: FloatArray = np.sqrt(np.maximum(np.linalg.eigvalsh(spread)[:, -1], 0.0))
        turn = float(np.linalg.eigvalsh(self.covariance[:3, :3])[-1])
        return off + slack * float(np.sqrt(max(turn, 0.0)))

    def check(self, points: FloatArray) -> None:
        """Known everywhere."""

    def source(self, points: FloatArray) -> str:
        """Where it comes from."""
        return self.words

    def moved(self, matrix: Any) -> Alignment:
        """The same in other axes: after the rigid motion ``matrix`` (4, 4)."""
        given = np.asarray(matrix, dtype=np.float64)
        turn = np.zeros((6, 6))
        turn[:3, :3] = turn[3:, 3:] = given[:3, :3]
        centre = given[:3, :3] @ self.centre + given[:3, 3]
        return replace(self, centre=centre, covariance=turn @ self.covariance @ turn.T)


@dataclass(frozen=True, eq=False)
class DatumFit:
    """A rigid placement by point pairs.

    Parameters
    ----------
    matrix : (4, 4) float64
        From the part's axes to where it goes.
    at : (n, 3) float64
        Where the points should be, mm.
    residuals : (n,) float64
        Distance of each placed point from there, mm.
    rms : float
        Root mean square of the residuals, mm.
    scale : float
        The scale that would fit best; 1 for a true copy. Not applied.
    scale_amount : float
        How far that scale may be off by the scatter of the points about it, 95 %.
    scaled_rms : float
        RMS residual at that scale, mm.
    mirrored_rms : float
        RMS residual of the best mirrored fit, mm. Not applied.
    flat : bool
        The points lie in one plane: they do not show a mirrored part.
    mirrored : bool
        A mirrored fit would be much better.
    spread : float
        RMS distance of the points from their middle, mm.
    scatter : float
        Estimated standard deviation of one coordinate of a datum point, mm.
    alignment : Alignment
    """

    matrix: FloatArray
    at: FloatArray
    residuals: FloatArray
    rms: float
    scale: float
    scale_amount: float
    scaled_rms: float
    mirrored_rms: float
    flat: bool
    mirrored: bool
    spread: float
    scatter: float
    alignment: Alignment


def fit_datums(points: Any, at: Any, *, accuracy: float = 0.0, name: str = "alignment") -> DatumFit:
    """Rigid motion that brings points nearest to where they should be.

    Parameters
    ----------
    points : (n, 3) float
        On the part, in its own axes, mm; three or more, not in one line.
    at : (n, 3) float
        Where they belong, mm, in the same order.
    accuracy : float
        How well each point is known, +- mm; 0 leaves it to the residuals.
    name : str
        Name of the alignment.

    Raises
    ------
    InputError
        Fewer than three pairs, two pairs at one place, or points in one line.

    Examples
    --------
    >>> fit = fit_datums([[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[1, 0, 0], [1, 9, 0], [-8, 0, 0]])
    >>> fit.matrix[:3, 3].round(9).tolist(), round(fit.rms, 9)
    ([1.0, 0.0, 0.0], 0.0)
    """
    source, target = as_points(points, "datum points"), as_points(at, "datum places")
    n = len(source)
    if n != len(target):
        raise InputError(f"there are {n} datum points but {len(target)} places for them")
    if n < 3:
        raise InputError(
            f"{n} datum pair{'s' if n != 1 else ''} cannot place a part",
            remedy="Give three or more, spread as widely as the part allows",
        )
    for which, given in (("part", source), ("at", target)):
        _check_spread(given, which)
    middle, goal = source.mean(axis=0), target.mean(axis=0)
    p, q = source - middle, target - goal
    left, s, right = np.linalg.svd(q.T @ p)
    sign = 1.0 if np.linalg.det(left @ right) > 0.0 else -1.0
    turn = left @ np.diag([1.0, 1.0, sign]) @ right
    trace = float(s[0] + s[1] + sign * s[2])
    squares = float((p**2).sum() + (q**2).sum())
    off = q - p @ turn.T
    residuals = np.linalg.norm(off, axis=1)
    total = float((off**2).sum())
    mirrored_total = max(0.0, squares - 2.0 * (float(s[0] + s[1]) - sign * float(s[2])))
    scaled_total = max(0.0, float((q**2).sum()) - trace**2 / float((p**2).sum()))
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = goal - turn @ middle
    spread = float(np.sqrt((p**2).sum() / n))
    rms, mirrored_rms = float(np.sqrt(total / n)), float(np.sqrt(mirrored_total / n))
    thin = min(_thickness(p), _thickness(q))
    freedom = 3 * n - 6
    scatter = float(np.sqrt(total / freedom))
    factor = float(stdtrit(freedom, 0.5 + 0.5 * COVERAGE))
    each = max(factor * scatter, accuracy)
    # A scale takes up one more degree of freedom.
    slack = float(
        stdtrit(freedom - 1, 0.5 + 0.5 * COVERAGE) * np.sqrt(scaled_total / (freedom - 1))
    )
    words = f"residuals of {n} datum points, RMS {rms:.3f} mm, 95 %"
    if accuracy > factor * scatter:
        words = f"declared accuracy of {n} datum points"
    return DatumFit(
        matrix=matrix,
        at=target,
        residuals=residuals,
        rms=rms,
        scale=trace / float((p**2).sum()),
        scale_amount=max(slack, accuracy) / float(np.sqrt((p**2).sum())),
        scaled_rms=float(np.sqrt(scaled_total / n)),
        mirrored_rms=mirrored_rms,
        flat=thin < IN_PLANE * spread,
        mirrored=rms > max(MIRROR_RATIO * mirrored_rms, MIRROR_SHARE * spread),
        spread=spread,
        scatter=scatter,
        alignment=Alignment(name, words, goal, each**2 * _shape(p @ turn.T)),
    )


def _check_spread(points: FloatArray, which: str) -> None:
    centred = points - points.mean(axis=0)
    axes = np.linalg.svd(centred, compute_uv=False)
    length = float(np.sqrt((axes**2).sum()))
    for i, j in combinations(range(len(points)), 2):
        if float(np.linalg.norm(points[i] - points[j])) <= 1e-3 * length:
            raise InputError(
                f"datum pairs {i + 1} and {j + 1} have one and the same {which!r} point",
                remedy="Give points that lie apart, spread as widely as the part allows",
            )
    if float(axes[1]) < OFF_LINE * length:
        raise InputError(
            f"the {which!r} points of the datum pairs lie in one line, so the part could still "
            "turn about it",
            remedy="Add a pair well off that line",
        )


def _thickness(centred: FloatArray) -> float:
    """RMS distance of points from the plane that fits them best."""
    axes = np.linalg.svd(centred, compute_uv=False)
    return float(axes[2]) / float(np.sqrt(len(centred)))


def _shape(centred: FloatArray) -> FloatArray:
    """(6, 6) covariance of rotation and translation for a unit scatter of the points."""
    inertia = np.eye(3) * float((centred**2).sum()) - centred.T @ centred
    out = np.zeros((6, 6))
    out[:3, :3] = np.linalg.inv(inertia)
    out[3:, 3:] = np.eye(3) / len(centred)
    return out
