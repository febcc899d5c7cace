"""The area curve: what it names, what it does not draw, and that it is the same every time."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from geomcheck.finding import Finding, Quantity, Requirement, Verdict
from geomcheck.reports import curves
from geomcheck.reports.curves import area_curve

S = np.linspace(0.0, 420.0, 211)


def duct(area=None, restrictions=(), requirement=4400.0, **more):
    values = [5026.0] * len(S) if area is None else area
    details = {
        "curve": {
            "s": S.tolist(),
            "area": values,
            "bore_area": [5026.0] * len(S),
            "hydraulic_diameter": None,
            "state": ["measured" if a is not None else "the section is open" for a in values],
        },
        "restrictions": list(restrictions),
    }
    return Finding(
        "flow-area",
        Verdict.FAIL,
        "Sorrel van",
        'duct "inlet"',
        ("housing",),
        "message",
        quantity=Quantity("area", 4155.2, "mm2", 4140.0, 4171.0),
        requirement=None if requirement is None else Requirement("at least", requirement, "mm2"),
        details=details | more,
    )


@pytest.fixture
def said(monkeypatch):
    """Every text handed to matplotlib while a curve is drawn."""
    texts = []
    from matplotlib.axes import Axes

    write, annotate = Axes.text, Axes.annotate

    def text(self, x, y, s, *args, **kwargs):
        texts.append(s)
        return write(self, x, y, s, *args, **kwargs)

    def note(self, s, *args, **kwargs):
        if s:
            texts.append(s)
        return annotate(self, s, *args, **kwargs)

    monkeypatch.setattr(Axes, "text", text)
    monkeypatch.setattr(Axes, "annotate", note)
    return texts


def test_the_drawing_is_sound_xml_the_same_twice_and_dateless():
    one, two = area_curve(duct()), area_curve(duct())
    assert one == two
    ElementTree.fromstring(one)
    assert not re.search(r"\d{4}-\d{2}-\d{2}", one)
    assert "<script" not in one
    assert len(one) < 150_000


def test_throat_restrictions_and_requirement_are_named(said):
    dip = (5026 - 671 * np.exp(-(((S - 100) / 11) ** 2))).tolist()
    area_curve(
        duct(
            dip,
            [
                {"s": 100.0, "part": "throttle shaft", "area_lost": 671.0, "percent": 13.35},
                {"s": 300.0, "part": None, "area_lost": 10.0, "percent": None},
            ],
        )
    )
    assert "throttle shaft −13.4 %" in said
    assert "the wall itself" in said
    assert "throat 4355.0 mm²" in said
    assert "required at least 4400.0 mm²" in said


def test_a_given_throat_comes_before_the_least_station(said):
    area_curve(duct(throat={"s": 99.3, "area": 4155.2}))
    assert "throat 4155.2 mm²" in said


def test_what_cannot_be_measured_is_hatched_and_named_not_drawn(said):
    area = [None if 200 < s < 240 or s < 10 else 5026.0 for s in S]
    drawing = area_curve(duct(area))
    assert said.count("not measurable: the section is open") == 2
    assert "pattern" in drawing


def test_a_curve_without_any_number_names_no_throat(said):
    assert area_curve(duct([None] * len(S), requirement=None)) is not None
    assert not [text for text in said if "throat" in text]


def test_a_station_alone_between_gaps_is_shown_as_a_dot():
    lonely = [None] * len(S)
    lonely[50] = 5000.0
    assert area_curve(duct(lonely)) != area_curve(duct([None] * len(S)))


def test_a_requirement_in_another_unit_is_not_drawn(said):
    found = duct(requirement=None)
    area_curve(found)
    assert not [text for text in said if "required" in text]


@pytest.mark.parametrize(
    "details", [{}, {"curve": None}, {"curve": {"s": [1.0], "area": [2.0]}}, {"curve": [1, 2]}]
)
def test_no_curve_no_drawing(details):
    found = Finding("fit-gap", Verdict.PASS, "van", "x", (), "m", details=details)
    assert area_curve(found) is None


def test_names_cannot_start_a_formula_or_break_the_drawing(said):
    odd = "a $\\frac{1}$ <script>&\n" + "w" * 80
    drawing = area_curve(duct(restrictions=[{"s": 50.0, "part": odd, "percent": 4.0}]))
    ElementTree.fromstring(drawing)
    assert any(text.startswith("a $\\frac{1}$ <script>") for text in said)


def test_labels_do_not_lie_over_each_other(monkeypatch):
    """Boxes of all labels as matplotlib lays them out, on a crowded curve."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    boxes = []
    save = Figure.savefig

    def measure(self, *args, **kwargs):
        renderer = FigureCanvasAgg(self).get_renderer()
        axes = self.axes[0]
        boxes.extend(t.get_window_extent(renderer) for t in axes.texts if t.get_text())
        boxes.append(axes.get_window_extent(renderer))
        return save(self, *args, **kwargs)

    monkeypatch.setattr(Figure, "savefig", measure)
    rng = np.random.default_rng(5)
    many = [
        {"s": float(s), "part": f"bolt number {k}", "percent": 3.0 + k}
        for k, s in enumerate(np.sort(rng.uniform(0, 420, 9)))
    ]
    area = (5026 - 600 * np.exp(-(((S - 210) / 30) ** 2))).tolist()
    area_curve(duct(area, many))
    *labels, frame = boxes
    assert len(labels) == 11
    for k, one in enumerate(labels):
        assert one.x0 >= frame.x0 - 1 and one.x1 <= frame.x1 + 1, k
        for other in labels[k + 1 :]:
            apart = (
                one.x1 <= other.x0 or other.x1 <= one.x0 or one.y1 <= other.y0 or other.y1 <= one.y0
            )
            assert apart


def test_gaps_reach_from_the_last_measured_station_to_the_next():
    s = np.arange(6.0)
    known = np.array([False, True, False, False, True, False])
    found = curves._gaps(s, known, None)
    assert [(a, b) for a, b, _ in found] == [(0.0, 1.0), (1.0, 4.0), (4.0, 5.0)]
