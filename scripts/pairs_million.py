"""A million pairs of triangles: the kernel against a numpy route, rational numbers between.

    python scripts/pairs_million.py [COUNT]

The second route knows nothing of the kernel: it tries every edge against every edge by clamping
twice (Ericson 2005, "Real-Time Collision Detection", 5.1.9), every corner against every face, and
every edge through every face. Where the two differ by more than ``AGREE``, exact rational numbers
decide (the reference of tests/kernels/test_nearest.py). Same pairs on every run. Exit code 1 if
the kernel is off anywhere. Pairs it leaves to exact arithmetic are counted, not compared.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "kernels"))

from test_nearest import exact

from geomcheck.kernels import nearest

AGREE = 1e-9  # mm
KINDS = ("general", "parallel faces", "nearly parallel", "needles", "on a grid", "crossing")


def pairs(kind: str, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Two (count, 3, 3) arrays of triangles, a few millimetres in size."""
    a = rng.normal(size=(count, 3, 3))
    b = rng.normal(size=(count, 3, 3)) + 1.5 * rng.normal(size=(count, 1, 3))
    if kind == "parallel faces":
        a[..., 2] = 0.0
        b[..., 2] = rng.uniform(0.0, 1.0, size=(count, 1))
    elif kind == "nearly parallel":
        b = a + rng.normal(size=(count, 1, 3)) + 1e-7 * rng.normal(size=(count, 3, 3))
    elif kind == "needles":
        for t in (a, b):
            t[:, 2] = t[:, 0] + rng.random((count, 1)) * (t[:, 1] - t[:, 0])
            t[:, 2] += 10.0 ** rng.uniform(-9, -1, (count, 1)) * rng.normal(size=(count, 3))
    elif kind == "on a grid":  # touching, coplanar and without area, often
        a, b = np.round(a), np.round(b)
    elif kind == "crossing":
        b = rng.normal(size=(count, 3, 3))
    return a, b


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return (a * b).sum(axis=1)


def _edges(p: np.ndarray, q: np.ndarray, r: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Squared distances of segments p q and r s."""
    u, v, w = q - p, s - r, p - r
    a, e, f, c, b = _dot(u, u), _dot(v, v), _dot(v, w), _dot(u, w), _dot(u, v)
    with np.errstate(divide="ignore", invalid="ignore"):
        one = np.nan_to_num(np.clip((b * f - c * e) / (a * e - b * b), 0, 1))
        best = np.full(len(p), np.inf)
        for start in (one, np.zeros(len(p)), np.ones(len(p))):
            t = np.nan_to_num(np.clip((b * start + f) / e, 0, 1))
            back = np.nan_to_num(np.clip((b * t - c) / a, 0, 1))
            gap = w + back[:, None] * u - t[:, None] * v
            best = np.minimum(best, _dot(gap, gap))
        for t in (np.zeros(len(p)), np.ones(len(p))):
            back = np.nan_to_num(np.clip((b * t - c) / a, 0, 1))
            gap = w + back[:, None] * u - t[:, None] * v
            best = np.minimum(best, _dot(gap, gap))
    return best


def _inside(x: np.ndarray, t: np.ndarray, n: np.ndarray) -> np.ndarray:
    sides = [_dot(np.cross(t[:, (k + 1) % 3] - t[:, k], x - t[:, k]), n) for k in range(3)]
    return np.min(sides, axis=0) >= 0.0


def route(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(n,) distances of pairs of triangles, 0 where they cross."""
    best = np.full(len(a), np.inf)
    for i in range(3):
        for j in range(3):
            ends = a[:, i], a[:, (i + 1) % 3], b[:, j], b[:, (j + 1) % 3]
            best = np.minimum(best, _edges(*ends))
    for s, t in ((a, b), (b, a)):
        n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        nn = _dot(n, n)
        heights = np.stack([_dot(s[:, k] - t[:, 0], n) for k in range(3)])
        with np.errstate(divide="ignore", invalid="ignore"):
            for k in range(3):
                foot = s[:, k] - (heights[k] / nn)[:, None] * n
                best = np.where(
                    (nn > 0) & _inside(foot, t, n), np.minimum(best, heights[k] ** 2 / nn), best
                )
                m = (k + 1) % 3
                cut = heights[k] / (heights[k] - heights[m])
                point = s[:, k] + cut[:, None] * (s[:, m] - s[:, k])
                through = (heights[k] * heights[m] < 0) & _inside(point, t, n)
                best = np.where(through, 0.0, best)
    return np.sqrt(best)


def kernel(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(n,) distances by the kernel; NaN where it leaves a pair to exact arithmetic."""
    corners, out, distances = np.empty((16, 3)), np.empty(20), np.empty(len(a))
    low = np.maximum(a.min(axis=1), b.min(axis=1))
    meet = (low <= np.minimum(a.max(axis=1), b.max(axis=1))).all(axis=1)
    for i in range(len(a)):
        square = nearest._pair(a, i, b, i, bool(meet[i]), np.inf, 1e-14, corners, out)
        distances[i] = np.nan if out[6] != 0.0 else np.sqrt(square)
    return distances


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    wrong = 0
    for number, kind in enumerate(KINDS):
        a, b = pairs(kind, -(-count // len(KINDS)), np.random.default_rng(number))
        ours = kernel(a, b)
        left = int(np.isnan(ours).sum())
        unlike = ~(np.abs(ours - route(a, b)) <= AGREE)  # NaN in the second route counts
        rows = np.flatnonzero(unlike & ~np.isnan(ours))
        off = [abs(ours[k] - exact(a[k], b[k])) for k in rows]
        bad = sum(error > AGREE for error in off)
        wrong += bad
        print(
            f"{kind}: {len(a):,} pairs, {left} left to exact arithmetic, {len(rows)} unlike the "
            f"second route; the kernel is off in {bad} of these "
            f"(worst {max(off, default=0.0):.1e} mm)"
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
