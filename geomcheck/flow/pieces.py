"""Which open pieces of each section belong to the bore.

The pieces of consecutive stations are joined when they overlap, seen in the path's
rotation-minimising frame, by at least half of the smaller one. The pieces that hold the path point
are the main chain. Another piece counts when it lies on a chain that leaves the main chain
upstream and rejoins it downstream: a shaft or a web across the bore splits it in two, and the path
point may be in neither half. The other leg of a U-bend never joins the main chain, a dead-end
branch does not rejoin it, and both are left out. (A branch that the same plane opens into the
bore without a wall between them is part of that section.)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geomcheck.flow.region import Region, overlap

#: Least share of the smaller piece that two joined pieces have in common.
JOINED = 0.5

Known = dict[tuple[int, int, int, int], bool]


def counted(regions: Sequence[Region], known: Known) -> list[tuple[int, ...]]:
    """Pieces of each region that belong to the bore; empty where there are none.

    Parameters
    ----------
    regions : sequence of Region
        Along the path.
    known : dict
        Overlaps already found, kept by the caller from one call to the next.
    """
    forward = _sweep(list(regions), None, known)
    backward = _sweep(list(regions)[::-1], forward[::-1], known)[::-1]
    out = []
    for region, pieces in zip(regions, backward, strict=True):
        main = {region.main} if region.main >= 0 and region.state == "measured" else set()
        out.append(tuple(sorted(main | pieces)))
    return out


def _sweep(
    regions: Sequence[Region], allowed: Sequence[set[int]] | None, known: Known
) -> list[set[int]]:
    """Side pieces that a chain from the main chain reaches, station by station."""
    reached: list[set[int]] = []
    before: Region | None = None
    active: set[int] = set()
    for k, region in enumerate(regions):
        side: set[int] = set()
        if region.state == "open":
            active = set()
        else:
            if before is not None and active and len(region) > (region.main >= 0):
                for piece in _near(before, active, region):
                    if allowed is not None and piece not in allowed[k]:
                        continue
                    if any(_joined(before, a, region, piece, known) for a in sorted(active)):
                        side.add(piece)
            active = side | ({region.main} if region.main >= 0 else set())
        reached.append(side)
        before = region
    return reached


def _near(before: Region, active: set[int], region: Region) -> list[int]:
    """Side pieces whose boxes share enough with an active piece's box."""
    near = np.zeros(len(region), bool)
    for a in active:
        box = before.box[a]
        shared = np.minimum(region.box[:, 2:], box[2:]) - np.maximum(region.box[:, :2], box[:2])
        common = np.clip(shared, 0.0, None).prod(axis=1)
        near |= common >= JOINED * np.minimum(region.area, before.area[a])
    if region.main >= 0:
        near[region.main] = False
    return [int(i) for i in np.flatnonzero(near)]


def _joined(one: Region, i: int, two: Region, j: int, known: Known) -> bool:
    a, b = (id(one), i), (id(two), j)
    key = (*min(a, b), *max(a, b))
    if key not in known:
        known[key] = overlap(one, i, two, j) >= JOINED
    return known[key]
