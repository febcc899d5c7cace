"""Faults of surfaces: grown near a neighbour, elsewhere, into a duct."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Finding, Verdict
from geomcheck.mesh.part import Part
from geomcheck.mesh.probe import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.prove import shape
from geomcheck.prove.faults import Fault, Kind, altering
from geomcheck.prove.field import Field, place

FloatArray: TypeAlias = NDArray[np.float64]

#: How far a surface is grown, mm, and how wide the region is.
HEIGHT, REGION = 0.5, 6.0
#: The same for the wall of a duct.
DUCT_HEIGHT, DUCT_REGION = 1.0, 10.0


def grow(
    kind: Kind, part: Part, vehicles: tuple[str, ...], at: Sequence[float], height: float,
    radius: float, words: str = "", target: str = "",
) -> Fault:  # fmt: skip
    """A surface raised at a point, or sunk where the height is negative; see ``shape.grown``."""
    point = np.asarray(at, dtype=np.float64)
    return Fault(
        kind,
        target or part.name,
        f"{part.name} {'grown' if height > 0.0 else 'sunk'} {abs(height):.2f} mm over "
        f"{2 * radius:.0f} mm at {place(at)}{words}",
        vehicles,
        altering(part.name, lambda it: shape.grown(it, point, height, radius)),
        part.name,
        {"at": tuple(float(x) for x in point), "height": height},
    )


def near(field: Field) -> Iterator[Fault]:
    """On the casting's side of the gaps with the least to spare."""
    gaps = [
        one
        for one in field.base.findings
        if one.code == "fit-gap" and one.verdict is Verdict.PASS and len(one.witnesses) == 2
    ]
    seen: list[tuple[str, FloatArray]] = []
    for one in sorted(gaps, key=lambda f: (_spare(f), f.vehicle, f.subject)):
        ours = one.witnesses[0]
        part = field.assemblies[one.vehicle].parts[ours.part]
        at = np.array(ours.point)
        if any(name == part.name and np.linalg.norm(at - p) < REGION for name, p in seen):
            continue
        seen.append((part.name, at))
        words = f", {_spare(one):.2f} mm to spare to {one.parts[-1]}"
        yield grow(Kind.GROWN_NEAR, part, (one.vehicle,), ours.point, HEIGHT, REGION, words)


def _spare(finding: Finding) -> float:
    assert finding.quantity is not None and finding.requirement is not None
    return finding.quantity.low - finding.requirement.limit


def elsewhere(field: Field) -> Iterator[Fault]:
    """Anywhere on the parts that are developed, by area."""
    parts = [(part, where) for part, where in field.parts() if part.role != "neighbour"]
    # The casting is what changes most often: every other time it is its turn.
    parts.sort(key=lambda row: row[0].role != "housing")
    others = parts[1:]
    for turn in range(12 if others else 6):
        part, where = others[turn // 2 % len(others)] if others and turn % 2 else parts[0]
        corners = part.triangles
        area = np.linalg.norm(
            np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
        )
        which = int(field.chance.choice(len(corners), p=area / area.sum()))
        yield grow(Kind.GROWN, part, where, corners[which].mean(axis=0), HEIGHT, REGION)


def ducts(field: Field) -> Iterator[Fault]:
    """At the throat of each duct, then at places along its path."""
    done: set[str] = set()
    for one in field.base.findings:
        path = one.details.get("path")
        if one.code != "flow-area" or not path or one.subject in done or not one.witnesses:
            continue
        done.add(one.subject)
        assembly = field.assemblies[one.vehicle]
        entry = next(
            (duct for _, duct in assembly.ducts if one.subject.startswith(f'duct "{duct.name}"')),
            None,
        )
        if entry is None or entry.void:
            continue
        later = [path[int(k)] for k in field.chance.integers(1, max(2, len(path) - 1), 2)]
        for at, words in ((one.witnesses[0].point, " at its throat"), *((p, "") for p in later)):
            wall = _wall(assembly, entry.walls, np.array(at, dtype=np.float64))
            if wall is None:
                continue
            part, where = wall
            text = f', inside duct "{entry.name}"{words}'
            fault = grow(
                Kind.DUCT, part, (one.vehicle,), where, DUCT_HEIGHT, DUCT_REGION, text, part.name
            )
            yield replace(fault, facts=fault.facts | {"duct": entry.name})


def _wall(
    assembly: Assembly,
    walls: Sequence[str],
    at: FloatArray,
) -> tuple[Part, tuple[float, ...]] | None:
    found: list[tuple[float, Part, tuple[float, ...]]] = []
    for name in walls:
        if name in assembly.parts:
            nearest = point_distance(assembly.parts[name].tree, at[None])
            foot = tuple(float(x) for x in nearest.point[0])
            found.append((float(nearest.distance[0]), assembly.parts[name], foot))
    if not found:
        return None
    _, part, foot = min(found, key=lambda row: row[0])
    return part, foot
