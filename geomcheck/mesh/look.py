"""A first look at a mesh file: what it is, how large, how sound."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.read import read_mesh
from geomcheck.mesh.sagitta import Sagitta, estimate
from geomcheck.mesh.soundness import Soundness, judge

Size: TypeAlias = tuple[float, float, float]

#: Units an STL may be meant in, and millimetres in one of each.
UNITS: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
#: Longest side (mm) a part of an engine bay is likely to have. Common practice, no source.
PLAUSIBLE = (10.0, 2500.0)


@dataclass(frozen=True)
class Look:
    """What a mesh file holds; lengths in mm if ``factor`` is known, else in the file's unit.

    Parameters
    ----------
    file : Path
    format : str
        As found by its content.
    factor : float or None
        Millimetres in one unit of the file, as told by the user or by a 3MF; None if unknown.
    size, low, high : (3,) float
        Bounding size, least and greatest coordinates.
    soundness : Soundness
    facets : (float, float)
        Median and largest estimated sagitta.
    nearest : float
        Distance from the origin to the nearest point of the bounding box.
    step : float
        Step of single precision at the farthest corner.
    notes : tuple of str
    """

    file: Path
    format: str
    factor: float | None
    size: Size
    low: Size
    high: Size
    soundness: Soundness
    facets: tuple[float, float]
    nearest: float
    step: float
    notes: tuple[str, ...]

    @property
    def plausible(self) -> tuple[str, ...]:
        """Units in which the longest side is one a part of an engine bay may have."""
        longest = max(self.size) / (self.factor or 1.0)
        return tuple(
            unit
            for unit, factor in UNITS.items()
            if PLAUSIBLE[0] <= longest * factor <= PLAUSIBLE[1]
        )

    def lines(self) -> list[str]:
        """The look in plain words, for a terminal."""
        sound = self.soundness
        unit = "units" if self.factor is None else "mm"
        out = [
            f"{self.file.name}: {self.format}, {sound.triangles} triangles, "
            f"{sound.vertices} vertices, {_bodies(sound.bodies)}",
            f"size      {_triple(self.size)} {unit}, from ({_point(self.low)}) "
            f"to ({_point(self.high)})",
        ]
        if self.factor is None:
            out += [
                f"          {_triple(self.size, factor)} mm if the unit is {name}"
                for name, factor in UNITS.items()
            ]
        out.append(f"unit      {self._suspicion()}")
        out.append(f"class     {sound.kind}: {_MEANING[sound.kind]}")
        out += [f"defect    {defect}" for defect in sound.defects] or ["defects   none found"]
        measured = f"area      {sound.area:.6g} {unit}2"
        if sound.volume is not None:
            measured += f", volume {sound.volume:.6g} {unit}3"
        out.append(measured)
        out.append(
            f"facets    sagitta about {self.facets[0]:.2g} {unit} (median), "
            f"{self.facets[1]:.2g} at most; estimated from the angles between facets"
        )
        out.append(
            f"place     {self.nearest:.4g} {unit} from the origin; single precision moves "
            f"in steps of {self.step:.1g} there"
        )
        out += [f"note      {note}" for note in self.notes]
        return out

    def _suspicion(self) -> str:
        low, high = PLAUSIBLE
        meant = self.plausible
        if self.factor is not None:
            longest = max(self.size)
            if low <= longest <= high:
                return f"{self.factor:g} mm: a size a part of an engine bay may have"
            others = f"; {' or '.join(meant)} would give a likelier size" if meant else ""
            return f"{self.factor:g} mm looks wrong: the longest side is {longest:.4g} mm{others}"
        if not meant:
            return "unknown; in none of them a size a part of an engine bay is likely to have"
        return (
            f"unknown to the file; {' or '.join(meant)} would give a size a part of an engine bay "
            "may have (a suspicion only)"
        )


_MEANING = {
    "closed": "inside and outside are defined",
    "open": "a surface or a scan; no inside, no volume",
    "soup": "the facing of its triangles is not defined; distances only",
}


def look(path: str | Path, factor: float | None = None) -> Look:
    """Look at a mesh file.

    Parameters
    ----------
    path : str or Path
    factor : float, optional
        Millimetres in one unit of the file, where the user knows.

    Raises
    ------
    MeshFileError
        The file cannot be used; see :func:`~geomcheck.mesh.read.read_mesh`.
    """
    raw = read_mesh(path, factor)
    known = raw.unit if factor is not None or raw.format == "3MF" else None
    vertices = raw.vertices
    edges = EdgeTable.of(raw.faces, len(vertices))
    soundness = judge(vertices, raw.faces, edges, unit="units" if known is None else "mm")
    sagitta: Sagitta = estimate(vertices, raw.faces, soundness, edges)
    stand_off = np.maximum(sagitta.outward, sagitta.inward)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    nearest = float(np.linalg.norm(np.maximum(0.0, np.maximum(low, -high))))
    return Look(
        file=raw.file,
        format=raw.format,
        factor=known,
        size=_three(high - low),
        low=_three(low),
        high=_three(high),
        soundness=soundness,
        facets=(float(np.median(stand_off)), float(stand_off.max())),
        nearest=nearest,
        step=2.0 * raw.rounding,
        notes=raw.notes,
    )


def _three(values: NDArray[np.float64]) -> Size:
    x, y, z = (float(value) for value in values)
    return (x, y, z)


def _triple(values: Size, scale: float = 1.0) -> str:
    return " x ".join(f"{value * scale:.6g}" for value in values)


def _point(values: Size) -> str:
    return ", ".join(f"{value:.6g}" for value in values)


def _bodies(count: int) -> str:
    return "1 body" if count == 1 else f"{count} bodies"
