"""Drawings for the modeller: section outlines as DXF and CSV, area curves as CSV.

The same bytes for the same parts: no time, no random mark goes into a drawing.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow import outlines
from geomcheck.flow.outlines import Outline
from geomcheck.flow.result import Survey
from geomcheck.project.assembly import Assembly
from geomcheck.project.surveys import MeasuredDuct, measured_ducts
from geomcheck.reports.files import write_text

#: Layers of a drawing: the rim of the open area, what stands in it, the path, the writing.
OPENING, STANDING, PATH_POINT, NOTES = "OPENING", "IN THE OPENING", "PATH POINT", "NOTES"
_LAYERS = {OPENING: 7, STANDING: 30, PATH_POINT: 6, NOTES: 8}
#: Decimals of a coordinate in mm: a millionth.
_DECIMALS = 6


@dataclass(frozen=True)
class Drawn:
    """What was drawn.

    ``files``: in the order they were written. ``missing``: what could not be drawn, and why.
    """

    files: tuple[Path, ...]
    missing: tuple[str, ...]


def write_drawings(assemblies: Mapping[str, Assembly], folder: Path) -> Drawn:
    """Draw every duct of every vehicle: ``FOLDER/VEHICLE/DUCT/...``.

    For each duct, in each of its states: ``area.csv``, and for the throat, the inlet and the
    places in its ``draw`` a DXF and a CSV file.

    Raises
    ------
    InputError
        A file cannot be written.
    """
    files: list[Path] = []
    missing: list[str] = []
    names = _file_names(assemblies)
    for vehicle, assembly in assemblies.items():
        try:
            ducts = list(measured_ducts(assembly))
        except InputError as why:
            missing.append(f"{vehicle}: {why.what}")
            continue
        inside = _file_names([duct.subject.replace('"', "") for duct in ducts])
        for duct, name in zip(ducts, inside.values(), strict=True):
            place = folder / names[vehicle] / name.removeprefix("duct-")
            found, not_found = _draw(duct, place)
            files += found
            missing += [f"{vehicle}, {duct.subject}: {why}" for why in not_found]
    return Drawn(tuple(files), tuple(missing))


def _draw(duct: MeasuredDuct, folder: Path) -> tuple[list[Path], list[str]]:
    try:
        survey = duct.survey()
    except (CannotDecide, InputError) as why:
        return [], [why.what]
    files, missing = [folder / "area.csv"], []
    write_text(files[0], area_csv(survey))
    wanted: list[tuple[str, Callable[[], Outline]]] = [
        ("throat", partial(outlines.throat, survey)),
        ("inlet", partial(outlines.inlet, survey)),
        *((f"at-{s:08.2f}", partial(outlines.outline, survey, s)) for s in duct.duct.draw),
    ]
    title = f"{duct.assembly.vehicle}, {duct.subject}"
    for name, draw in wanted:
        try:
            outline = draw()
        except CannotDecide as why:
            missing.append(why.what)
            continue
        for ending, text in ((".dxf", section_dxf(outline, title)), (".csv", section_csv(outline))):
            files.append(folder / (name + ending))
            write_text(files[-1], text)
    return files, missing


def area_csv(survey: Survey) -> str:
    """Areas along the path as CSV: a row for every station that was cut; empty where unknown."""
    hydraulic = 4.0 * survey.fine_area / survey.fine_perimeter
    columns = (survey.fine_s, survey.fine_area, survey.fine_bore_area, hydraulic)
    points = survey.path.frames(survey.fine_s)[:, :3]
    rows = ["s_mm,area_mm2,bore_area_mm2,hydraulic_diameter_mm,x_mm,y_mm,z_mm,state"]
    for n, state in enumerate(survey.fine_state):
        cells = [_number(column[n]) for column in columns] + [_number(x) for x in points[n]]
        rows.append(",".join([*cells, state]))
    return "\n".join(rows) + "\n"


def section_csv(outline: Outline) -> str:
    """An outline as CSV: a row for every point, in the housing frame and in its own plane."""
    rows = ["s_mm,area_mm2,loop,kind,x_mm,y_mm,z_mm,u_mm,v_mm"]
    head = f"{_number(outline.s)},{_number(outline.area)}"
    for number, loop in enumerate(outline.loops, 1):
        kind = STANDING if loop.island else OPENING
        for point, uv in zip(outline.to_space(loop.uv), loop.uv, strict=True):
            cells = ",".join(_number(x) for x in (*point, *uv))
            rows.append(f"{head},{number},{kind.lower()},{cells}")
    return "\n".join(rows) + "\n"


def section_dxf(outline: Outline, title: str) -> str:
    """An outline as a DXF drawing (release R2010, millimetres) in the section's own plane.

    Closed polylines, one for each loop, u to the right and v upwards, with the path's point at the
    origin; the place and the area in writing. ``title``: its first line.
    """
    from ezdxf import units
    from ezdxf._options import options
    from ezdxf.filemanagement import new

    # Else every drawing carries the time and a random mark, and no two runs agree.
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        drawing = new("R2010", setup=False, units=units.MM)
        for name, colour in _LAYERS.items():
            drawing.layers.add(name, color=colour)
        space = drawing.modelspace()
        for loop in outline.loops:
            layer = STANDING if loop.island else OPENING
            points = [(_round(u), _round(v)) for u, v in loop.uv]
            space.add_lwpolyline(points, close=True, dxfattribs={"layer": layer})
        space.add_point((0.0, 0.0), dxfattribs={"layer": PATH_POINT})
        every = np.concatenate([loop.uv for loop in outline.loops])
        low, high = every.min(axis=0), every.max(axis=0)
        height = _round(0.03 * float((high - low).max()))
        for line, text in enumerate(_writing(outline, title)):
            note = space.add_text(text, height=height, dxfattribs={"layer": NOTES})
            note.set_placement((_round(low[0]), _round(low[1] - height * (3.0 + 1.8 * line))))
        stream = io.StringIO()
        drawing.write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = before
    return stream.getvalue()


def _writing(outline: Outline, title: str) -> list[str]:
    def triple(values: Iterable[float], decimals: int) -> str:
        return (
            "(" + ", ".join(f"{round(float(x), decimals) + 0.0:.{decimals}f}" for x in values) + ")"
        )

    frame = outline.frame
    return [
        title,
        f"{outline.name}, {outline.s:.2f} mm along the path, open area {outline.area:.2f} mm2",
        f"origin {triple(frame[0:3], 3)} mm in the housing frame",
        f"u {triple(frame[3:6], 6)}, v {triple(frame[6:9], 6)}",
        "seen against the flow; outline as cut from the facets",
    ]


def _round(value: float) -> float:
    return round(float(value), _DECIMALS) + 0.0


def _number(value: float) -> str:
    """Fixed decimals; empty where there is no number."""
    return f"{_round(value):.{_DECIMALS}f}" if np.isfinite(value) else ""


def _file_names(names: Iterable[str]) -> dict[str, str]:
    """Names that any file system takes, no two alike."""
    found: dict[str, str] = {}
    used: set[str] = set()
    for name in names:
        plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:80] or "unnamed"
        candidate, number = plain, 1
        while candidate in used:
            number += 1
            candidate = f"{plain}-{number}"
        used.add(candidate)
        found[name] = candidate
    return found
