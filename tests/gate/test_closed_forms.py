"""Every row of ``tests/data/closed_forms.csv`` that this tool can answer, and why not the others.

Each solid is built at two tessellations. What is measured must hold the closed form in its
interval, with the sagitta declared and with the sagitta estimated, and come nearer to it with
the finer mesh. The closed forms are elementary geometry; where a row says so, a quadrature agrees.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from trimesh.transformations import rotation_matrix, translation_matrix

from geomcheck.fit.body import Body
from geomcheck.fit.gap import measure_gap
from geomcheck.flow.region import Region
from geomcheck.flow.section import Surface, cut
from geomcheck.flow.survey import duct_area
from geomcheck.flow.terms import facet_reach
from geomcheck.mesh.sagitta import FACTOR, Sagitta, estimate
from geomcheck.mesh.soundness import judge

TABLE = Path(__file__).parent.parent / "data" / "closed_forms.csv"
with TABLE.open(encoding="utf-8", newline="") as file:
    ROWS = {row["case"]: row for row in csv.DictReader(file)}
#: Sides of a full circle in the coarse and in the fine mesh.
COARSE, FINE = 32, 64
#: The table has nine digits.
DIGITS = 1e-8


def value(case: str) -> float:
    return float(ROWS[case]["value"])


# --- solids whose true surface is known -----------------------------------------------------------

WEIGHTS = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / 4.0


@dataclass(frozen=True)
class Solid:
    """A mesh inscribed in a true solid, and the chord error it has, mm."""

    mesh: trimesh.Trimesh
    sagitta: float = 0.0

    def at(self, *offset: float, turn: tuple[float, Any] | None = None) -> Solid:
        matrix = translation_matrix(offset or (0, 0, 0))
        if turn is not None:
            matrix = matrix @ rotation_matrix(np.radians(turn[0]), turn[1])
        return Solid(self.mesh.copy().apply_transform(matrix), self.sagitta)

    def body(self, declared: bool) -> Body:
        return Body.of(self.mesh, sagitta=self.sagitta if declared else None)


def _solid(mesh: trimesh.Trimesh, depth: Callable[[Any], Any]) -> Solid:
    """``depth``: how far points of the facets lie under the true surface; sampled on each facet."""
    points = np.einsum("bk,mkc->mbc", WEIGHTS, mesh.triangles).reshape(-1, 3)
    return Solid(mesh, 1.05 * float(np.abs(depth(points)).max()) + 1e-9)


def _box(*size: float) -> Solid:
    return Solid(trimesh.creation.box(size))


def _ball(n: int, r: float) -> Solid:
    mesh = trimesh.creation.icosphere(3 if n == COARSE else 4, r)
    return _solid(mesh, lambda p: r - np.linalg.norm(p, axis=1))


def _rod(n: int, r: float, height: float) -> Solid:
    return Solid(trimesh.creation.cylinder(r, height, sections=n), r * (1 - np.cos(np.pi / n)))


def _torus(n: int, major: float, minor: float) -> Solid:
    mesh = trimesh.creation.torus(major, minor, major_sections=2 * n, minor_sections=n)
    return _solid(mesh, lambda p: minor - np.hypot(np.hypot(p[:, 0], p[:, 1]) - major, p[:, 2]))


def _capsule(n: int, r: float, length: float) -> Solid:
    """Round a segment of that length on z."""
    mesh = trimesh.creation.capsule(length, r, count=[n, n])
    mesh.apply_translation(-mesh.bounds.mean(axis=0))

    def depth(p: Any) -> Any:
        z = np.maximum(np.abs(p[:, 2]) - length / 2, 0.0)
        return r - np.hypot(np.hypot(p[:, 0], p[:, 1]), z)

    return _solid(mesh, depth)


def _stack(*solids: Solid, how: str = "intersection") -> trimesh.Trimesh:
    """Boolean by manifold3d."""
    boolean = getattr(trimesh.boolean, how)
    return boolean([solid.mesh for solid in solids], engine="manifold")


# --- distances ------------------------------------------------------------------------------------

#: Two solids, and what is taken off the table's value because a line has been given a radius.
Pair = tuple[Solid, Solid, float]
CUBE = np.arccos(1 / np.sqrt(3.0))


def _skew_lines(n: int) -> Pair:
    way = np.array([1.0, 2.0, 2.0]) / 3.0
    one = _rod(n, 0.1, 100).at(turn=(90, (0, 1, 0)))
    angle = np.degrees(np.arccos(way[2]))
    two = _rod(n, 0.1, 100).at(3, 4, 5, turn=(angle, np.cross((0, 0, 1), way)))
    return one, two, 0.2


GAPS: dict[str, Callable[[int], Pair]] = {
    "sphere-sphere gap": lambda n: (_ball(n, 10), _ball(n, 5).at(20, 10, 5), 0.0),
    "sphere-box nearest corner": lambda n: (_box(2, 2, 2), _ball(n, 1).at(4, 5, 6), 0.0),
    "sphere-box nearest edge": lambda n: (_box(2, 2, 2), _ball(n, 1).at(0, 5, 6), 0.0),
    "sphere-box nearest face": lambda n: (_box(2, 2, 2), _ball(n, 1).at(0, 0, 6), 0.0),
    "box corner to box corner": lambda n: (_box(2, 2, 2), _box(2, 2, 2).at(5, 6, 14), 0.0),
    "cube edge to plane (45 deg about z)": lambda n: (
        _box(2, 40, 40).at(-1, 0, 0),
        _box(2, 2, 2).at(5, 0, 0, turn=(45, (0, 0, 1))),
        0.0,
    ),
    "cube corner to plane (body diagonal normal)": lambda n: (
        _box(2, 40, 40).at(-1, 0, 0),
        _box(2, 2, 2).at(5, 0, 0, turn=(np.degrees(CUBE), np.cross((1, 1, 1), (1, 0, 0)))),
        0.0,
    ),
    "skew cylinders (axes 45 deg apart, 10 apart)": lambda n: (
        _rod(n, 3, 60),
        _rod(n, 2, 60).at(0, 10, 0, turn=(45, (0, 1, 0))),
        0.0,
    ),
    "skew lines general": _skew_lines,
    "point to torus surface": lambda n: (
        _torus(n, 40, 10),
        _ball(n, 0.5).at(60, 0, 30),
        0.5,
    ),
    "sphere at torus centre": lambda n: (_torus(n, 40, 10), _ball(n, 20), 0.0),
    "coaxial tori": lambda n: (_torus(n, 40, 5), _torus(n, 30, 4).at(0, 0, 24), 0.0),
    "linked tori, each centre on the other ring": lambda n: (
        _torus(n, 30, 5),
        _torus(n, 30, 4).at(30, 0, 0, turn=(90, (1, 0, 0))),
        0.0,
    ),
    "cylinder (axis z) to box face corner": lambda n: (
        _rod(n, 5, 30),
        _box(10, 10, 10).at(13, 11, 0),
        0.0,
    ),
    "capsule-capsule crossing segments": lambda n: (
        _capsule(n, 1, 10).at(turn=(90, (0, 1, 0))),
        _capsule(n, 2, 10).at(0, 0, 7, turn=(90, (1, 0, 0))),
        0.0,
    ),
}


@pytest.mark.parametrize("declared", [True, False], ids=["declared", "estimated"])
@pytest.mark.parametrize("case", GAPS)
def test_distance(case, declared):
    widths = []
    for n in (COARSE, FINE):
        a, b, taken = GAPS[case](n)
        true = value(case) - taken
        gap = measure_gap(a.body(declared), b.body(declared))
        assert gap.state == "apart"
        slack = DIGITS * value(case)
        assert gap.quantity.low - slack <= true
        assert true <= gap.quantity.high + slack
        assert abs(gap.distance - true) <= a.sagitta + b.sagitta + slack
        widths.append(gap.quantity.high - gap.quantity.low)
    # Half the chord, a quarter of the sagitta: the interval closes on the truth.
    assert widths[1] <= 0.3 * widths[0] + 1e-9


@pytest.mark.parametrize("declared", [True, False], ids=["declared", "estimated"])
def test_overlap_depth(declared):
    case, widths = "sphere overlap depth", []
    for n in (COARSE, FINE):
        a, b = _ball(n, 10), _ball(n, 5).at(12, 0, 0)
        gap = measure_gap(a.body(declared), b.body(declared))
        assert gap.state == "overlapping"
        assert gap.quantity.low <= value(case) <= gap.quantity.high
        assert abs(gap.quantity.value - value(case)) <= 0.01 * 3 + a.sagitta + b.sagitta
        widths.append(gap.quantity.high - gap.quantity.low)
    assert widths[1] < 0.5 * widths[0]


# --- volumes and surfaces -------------------------------------------------------------------------


def _common(a: Solid, b: Solid) -> float:
    """Overlap volume as a gap reports it."""
    volume = measure_gap(a.body(True), b.body(True)).volume
    assert volume is not None
    return volume


def _judged(mesh: trimesh.Trimesh) -> Any:
    body = Body.of(mesh)
    assert body.soundness.kind == "closed"
    return body.soundness


def _volume(mesh: trimesh.Trimesh) -> float:
    volume = _judged(mesh).volume
    assert volume is not None
    return volume


def _bars(n: int, count: int) -> list[Solid]:
    turns = (None, (90, (0, 1, 0)), (90, (1, 0, 0)))
    return [_rod(n, 10, 40).at(turn=turn) for turn in turns[:count]]


def _frustum(n: int) -> trimesh.Trimesh:
    turn = 2 * np.pi * np.arange(n) / n
    ring = np.c_[np.cos(turn), np.sin(turn), 0 * turn]
    return trimesh.convex.convex_hull(np.vstack([40 * ring, 30 * ring + (0, 0, 50)]))


def _tetrahedron(n: int) -> trimesh.Trimesh:
    corners = np.array([(1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)]) * 10 / np.sqrt(8)
    return trimesh.convex.convex_hull(corners)


#: Overlap volumes, volumes of a part and surfaces of a part.
VOLUMES: dict[str, Callable[[int], float]] = {
    "spherical cap": lambda n: _common(_ball(n, 10), _box(40, 40, 20).at(0, 0, 17)),
    "sphere-sphere lens, unequal": lambda n: _common(_ball(n, 10), _ball(n, 8).at(12, 0, 0)),
    "sphere-sphere lens, equal": lambda n: _common(_ball(n, 10), _ball(n, 10).at(10, 0, 0)),
    "Steinmetz bicylinder": lambda n: _common(*_bars(n, 2)),
    "Steinmetz tricylinder": lambda n: _common(Solid(_stack(*_bars(n, 2))), _bars(n, 3)[2]),
    "Steinmetz bicylinder surface": lambda n: _judged(_stack(*_bars(n, 2))).area,
    "cylinder union of two crossing bores (length L, r)": lambda n: _volume(
        _stack(*_bars(n, 2), how="union")
    ),
    "napkin ring": lambda n: _volume(_stack(_ball(n, 10), _rod(n, 8, 40), how="difference")),
    "torus": lambda n: _volume(_torus(n, 40, 10).mesh),
    "torus surface": lambda n: _judged(_torus(n, 40, 10).mesh).area,
    "cone frustum": lambda n: _volume(_frustum(n)),
    "cube minus sphere inscribed": lambda n: _volume(
        trimesh.util.concatenate([_box(20, 20, 20).mesh, _hollow(_ball(n, 9.999999))])
    ),
    "regular tetrahedron": lambda n: _volume(_tetrahedron(n)),
}


def _hollow(solid: Solid) -> trimesh.Trimesh:
    mesh = solid.mesh.copy()
    mesh.invert()
    return mesh


@pytest.mark.parametrize("case", VOLUMES)
def test_volume_and_surface(case):
    """No interval here: the error must be small and go as the square of the chord."""
    coarse, fine = (abs(VOLUMES[case](n) / value(case) - 1) for n in (COARSE, FINE))
    assert coarse < 0.04
    assert fine < 0.3 * coarse + 1e-6


# --- sections -------------------------------------------------------------------------------------

#: A solid, a point of the plane and its normal.
Cut = tuple[Solid, Any, Any]


def _segment(n: int) -> Cut:
    """The part of a rod beyond a flat 32 mm from its axis."""
    rod = _rod(n, 40, 60)
    return Solid(_stack(rod, _box(40, 100, 80).at(52, 0, 0)), rod.sagitta), (0, 0, 0.3), (0, 0, 1)


def _spiric(p: float, major: float = 40) -> Callable[[int], Cut]:
    return lambda n: (_torus(n, major, 10), (p, 0, 0), (1, 0, 0))


T = np.radians(30)
LEAN = np.arcsin(0.25)
SECTIONS: dict[str, Callable[[int], Cut]] = {
    "cylinder cut by plane tilted": lambda n: (
        _rod(n, 40, 200),
        (0, 0, 1),
        (0.6 * np.sin(T), 0.8 * np.sin(T), np.cos(T)),
    ),
    "torus, plane containing the axis": lambda n: (_torus(n, 40, 10), (0, 0, 0), (0.3, 1, 0)),
    "torus, plane perpendicular to axis at height z": lambda n: (
        _torus(n, 40, 10),
        (0, 0, 6),
        (0, 0, 1),
    ),
    "torus, plane parallel to axis, lemniscate case": _spiric(10, 20),
    **{f"torus, plane parallel to axis: R=40 r=10 p={p}": _spiric(p) for p in (15, 30, 40, 45)},
    "torus, bitangent plane: solid area": lambda n: (
        _torus(n, 40, 10),
        (0, 0, 0),
        (-np.sin(LEAN), 0, np.cos(LEAN)),
    ),
    "circular segment (boss flat)": _segment,
}


def _cavity(solid: Solid, declared: bool) -> Surface:
    """The solid as a hollow in a block, so that its section is an open area with an interval."""
    block = _box(400, 400, 400).mesh
    mesh = trimesh.util.concatenate([block, _hollow(solid)])
    if declared:
        bound = Sagitta.declared(solid.sagitta, len(mesh.faces))
    else:
        bound = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    return Surface(mesh.vertices, mesh.faces, outward=bound.outward, inward=bound.inward)


def _frame(origin: Any, normal: Any) -> Any:
    n = np.asarray(normal, float) / np.linalg.norm(normal)
    u = np.cross(n, np.eye(3)[np.argmin(np.abs(n))])
    u /= np.linalg.norm(u)
    return np.concatenate([np.asarray(origin, float), u, np.cross(n, u), n])[None]


@pytest.mark.parametrize("declared", [True, False], ids=["declared", "estimated"])
@pytest.mark.parametrize("case", SECTIONS)
def test_section_area(case, declared):
    errors, widths = [], []
    for n in (COARSE, FINE):
        solid, origin, normal = SECTIONS[case](n)
        surface = [_cavity(solid, declared)]
        region = Region(cut(surface, _frame(origin, normal))[0], surface)
        area = float(region.area.sum())
        minus, plus = facet_reach(region, range(len(region)), surface)
        slack = DIGITS * value(case)
        assert area - minus - slack <= value(case) <= area + plus + slack
        errors.append(abs(area - value(case)))
        widths.append(minus + plus)
    assert errors[0] < 0.03 * value(case)
    # Where the plane falls among the facets changes with their number, so not quite a quarter.
    assert errors[1] < 0.45 * errors[0] + 1e-6
    assert widths[1] < 0.45 * widths[0] + 1e-9


# --- ducts ----------------------------------------------------------------------------------------


def _bore(shape: Any, height: float = 60.0) -> trimesh.Trimesh:
    """A duct of that cross section through a block, along z."""
    block = np.array([(-100, -100), (100, -100), (100, 100), (-100, 100)], dtype=float)
    hole = np.array(shapely.geometry.polygon.orient(shape, -1.0).exterior.coords)[:-1]
    mesh = trimesh.creation.extrude_triangulation(
        np.vstack([block, hole]), manifold3d.triangulate([block, hole]), height
    )
    return mesh.apply_translation((0, 0, -height / 2))


def _disc(n: int, r: float) -> Any:
    turn = 2 * np.pi * np.arange(n) / n
    return shapely.Polygon(np.c_[r * np.cos(turn), r * np.sin(turn)])


def _part(mesh: trimesh.Trimesh, sagitta: float | None) -> Surface:
    if sagitta is None:
        bound = estimate(mesh.vertices, mesh.faces, judge(mesh.vertices, mesh.faces))
    else:
        bound = Sagitta.declared(sagitta, len(mesh.faces))
    return Surface(mesh.vertices, mesh.faces, outward=bound.outward, inward=bound.inward)


def _flat(n: int) -> trimesh.Trimesh:
    return _box(40, 100, 10).at(52, 0, 0).mesh


def _boss(n: int) -> trimesh.Trimesh:
    return _rod(n, 12, 10).at(44, 0, 0).mesh


def _shaft(n: int) -> trimesh.Trimesh:
    return _rod(n, 0.12 * 40, 160).at(turn=(90, (0, 1, 0))).mesh


#: What stands in a bore of 80 mm, where the path runs, and the throat's area from the row's value.
CIRCLE = np.pi * 40.0**2
THROATS: dict[str, tuple[Callable[[int], Any], float, Callable[[float], float]]] = {
    "circle minus segment: open fraction": (_flat, 0.0, lambda x: x * CIRCLE),
    "two-circle lens (round boss at duct wall)": (_boss, 0.0, lambda x: CIRCLE - x),
    # The plate edge-on takes nothing; the path runs beside the shaft, and the opening on the
    # shaft's other side must count as well.
    "throttle plate, open share: psi=90": (_shaft, 20.0, lambda x: x * CIRCLE),
}


@pytest.mark.parametrize("declared", [True, False], ids=["declared", "estimated"])
@pytest.mark.parametrize("case", THROATS)
def test_throat(case, declared):
    stand, aside, area_of = THROATS[case]
    true, errors = area_of(value(case)), []
    for n in (COARSE, FINE):
        chord = 40 * (1 - np.cos(np.pi / n)) if declared else None
        survey = duct_area(
            _part(_bore(_disc(n, 40)), chord),
            [(0, aside, -25), (0, aside, 25)],
            obstacles=[_part(stand(n), chord)],
            stations=26,
        )
        throat = survey.throat
        assert throat.area.low <= true <= throat.area.high
        errors.append(abs(throat.area.value - true))
        assert np.nanmin(survey.area) >= throat.area.value - 1e-9
        bore = float(survey.bore_area[survey.station == 0.0][0])
        assert bore == pytest.approx(n / 2 * 40**2 * np.sin(2 * np.pi / n), rel=1e-9)
    assert errors[0] < 0.01 * true
    assert errors[1] < 0.35 * errors[0] + 1e-6


def _slot(n: int) -> Any:
    ends = [shapely.affinity.translate(_disc(n, 20), x) for x in (-30, 30)]
    return shapely.union_all([shapely.box(-30, -20, 30, 20), *ends])


#: Cross section, what stands in it, and where the path runs.
HYDRAULIC: dict[str, Callable[[int], tuple[Any, tuple[Any, ...], tuple[float, float]]]] = {
    "rectangle": lambda n: (shapely.box(-40, -25, 40, 25), (), (0.0, 0.0)),
    "annulus": lambda n: (_disc(n, 40), (_rod(n, 6, 200).mesh,), (20.0, 0.0)),
    "semicircle": lambda n: (
        _disc(n, 40).intersection(shapely.box(0, -50, 50, 50)),
        (),
        (15.0, 0.0),
    ),
    "ellipse": lambda n: (shapely.affinity.scale(_disc(n, 40), 1, 25 / 40), (), (0.0, 0.0)),
    "racetrack slot": lambda n: (_slot(n), (), (0.0, 0.0)),
}


@pytest.mark.parametrize("case", HYDRAULIC)
def test_hydraulic_diameter(case):
    errors = []
    for n in (COARSE, FINE):
        shape, stand, (x, y) = HYDRAULIC[case](n)
        path = [(x, y, -20), (x, y, 20)]
        survey = duct_area(_bore(shape), path, obstacles=stand, stations=5)
        assert np.ptp(survey.hydraulic_diameter) < 1e-9
        errors.append(abs(survey.hydraulic_diameter[2] / value(case) - 1))
    assert errors[0] < 6e-3
    assert errors[1] < 0.3 * errors[0] + DIGITS


# --- tessellation ---------------------------------------------------------------------------------


def _given(case: str) -> dict[str, float]:
    words = ROWS[case]["given"].split()
    return {key: float(number) for key, number in (word.split("=") for word in words)}


POLYGONS = tuple(case for case in ROWS if case.startswith("inscribed n-gon area ratio"))
CHORDS = tuple(case for case in ROWS if case.startswith("chords needed for a sagitta"))


@pytest.mark.parametrize("case", POLYGONS)
def test_area_of_a_bore_drawn_with_chords(case):
    """The polygon's share of the circle, exactly; the circle in the interval."""
    n = int(_given(case)["n"])
    sagitta_share = float(ROWS[case]["remark"].split(";")[0].split("=")[1])
    for chord in (40 * sagitta_share * (1 + 1e-5), None):
        wall = _part(_bore(_disc(n, 40)), chord)
        survey = duct_area(wall, [(0, 0, -20), (0, 0, 20)], stations=5)
        assert survey.area == pytest.approx(np.full(5, value(case) * CIRCLE), rel=DIGITS)
        assert survey.throat.area.low <= CIRCLE <= survey.throat.area.high
        if chord is None:
            assert max(wall.outward.max(), wall.inward.max()) == pytest.approx(
                FACTOR * 40 * sagitta_share, rel=1e-5
            )


@pytest.mark.parametrize("case", CHORDS)
def test_sagitta_of_the_fewest_chords(case):
    """Less its factor the estimate keeps within the sagitta, and not with one chord fewer."""
    given, sides = _given(case), int(value(case))
    rods = [Body.of(_rod(n, given["r"], 30).mesh) for n in (sides, sides - 1)]
    found = [rod.sagitta.largest / FACTOR for rod in rods]
    assert found[0] <= given["e"] < found[1]
    at = float(ROWS[case]["second_way"].split(": ")[1])
    assert found[0] == pytest.approx(at, rel=1e-6)


# --- what is not asked of this tool ---------------------------------------------------------------

TILTED = (
    "a section is cut by a plane; the opening beside a tilted plate, seen along the bore, lies in "
    "no one plane"
)
MOMENTS = "fit, flow and access rest on no moment of inertia, and none is computed"
NOT_ASKED = {
    **{f"throttle plate, open share: psi={angle}": TILTED for angle in (20, 30, 45, 60, 80)},
    "torus Iz/m": MOMENTS,
    "torus Ix/m": MOMENTS,
    "solid cylinder Ix/m (transverse)": MOMENTS,
    "box Ix/m": MOMENTS,
    "sphere I/m": MOMENTS,
    "hollow sphere I/m": MOMENTS,
    "tetrahedron centroid": "no centre of gravity is computed",
    "A356 box 100x100x10": "no weight is computed: a density is not asked for",
}


def test_every_row_is_tested_or_named():
    tested = [
        *GAPS, "sphere overlap depth", *VOLUMES, *SECTIONS, *THROATS, *HYDRAULIC, *POLYGONS,
        *CHORDS,
    ]  # fmt: skip
    assert len(set(tested)) == len(tested)
    assert not set(tested) & set(NOT_ASKED)
    assert set(tested) | set(NOT_ASKED) == set(ROWS)
    assert all(row["source"] for row in ROWS.values())
