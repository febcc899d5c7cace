"""The page: complete, escaped, self-contained, the same every time."""

import base64
import itertools
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.finding import (
    SEVERITY,
    EntryRef,
    Finding,
    PartSummary,
    Quantity,
    Requirement,
    Result,
    Term,
    Verdict,
    Witness,
)
from geomcheck.mesh.part import Part, PartSet
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.soundness import judge
from geomcheck.project.assembly import Assembly
from geomcheck.project.lines import LineMap
from geomcheck.reports import html, palette
from geomcheck.reports.cards import margin
from geomcheck.reports.html import to_html, write_html

EVIL = '<script>alert("x")</script>&\'"><img src=x onerror=alert(1)>'
EXPLAINED = {
    "fit-gap": "Gap.\n\nWhat: asks ``gap``.\n\nWhy: harm.\n\nRemedy: move.\n\nX: y",
}
VOID = {"meta", "img", "br", "link", "input", "hr"}


class Page(HTMLParser):
    """The page as a reader's program sees it; refuses tags that do not pair."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.words, self.inside = [], [], [], {}
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag, tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


def part(name, size, at, role="neighbour"):
    mesh = trimesh.creation.box(size)
    mesh.apply_translation(at)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
    bound = Sagitta.declared(0.0, len(faces))
    file = Path("part.stl")
    return Part(name, role, "", file, vertices, faces, judge(vertices, faces), bound)


def assembly(vehicle, rail):
    parts = PartSet(
        [
            part("housing", (200, 120, 80), (0, 0, 0), "housing"),
            part(rail, (240, 20, 20), (0, 82, 0)),
        ]
    )
    lines = LineMap(Path("project.toml"), "", {})
    return Assembly(
        vehicle=vehicle,
        parts=parts,
        mates=(),
        ducts=(),
        fasteners=(),
        tools=(),
        part_entries={},
        part_keys={},
        lines=lines,
    )


def finding(verdict, value, subject="housing / rail", vehicle="Sorrel van", rail="rail", **more):
    terms = (Term("facets", 0.1, 0.0, "estimated"), Term("file", 0.0, 0.05, "float32"))
    given = {
        "code": "fit-gap",
        "message": f"{rail} is {value:.2f} mm from the housing.",
        "remedy": "Move it." if verdict != "pass" else "",
        "quantity": Quantity.from_terms("gap", value, "mm", terms),
        "requirement": Requirement("at least", 10.0, "mm", 'class "fuel line"'),
        "witnesses": (
            Witness("on the housing", "housing", (0.0, 60.0, 0.0)),
            Witness("on the rail", rail, (0.0, 72.0, 0.0)),
        ),
        "entry": EntryRef("project.toml", 41, f'vehicle "{vehicle}" > part "{rail}"'),
        "details": {"state": "apart", "tools": [{"tool": "key", "room": -1.25}]},
    } | more
    return Finding(
        verdict=Verdict(verdict),
        vehicle=vehicle,
        subject=subject,
        parts=("housing", rail),
        **given,
    )


def result(findings, vehicles=("Sorrel van",), rail="rail"):
    ranked = sorted(findings, key=lambda f: SEVERITY.index(f.verdict))
    rows = (
        PartSummary("housing", "meshes/housing.stl", "housing", "", "closed", 12, (200, 120, 80)),
        PartSummary(rail, "meshes/rail.stl", "neighbour", "fuel line", "closed", 12, (240, 20, 20)),
    )
    return Result(
        "Heron blower",
        "project.toml",
        "0.1.0",
        vehicles,
        dict.fromkeys(vehicles, rows),
        tuple(ranked),
    )


@pytest.fixture(scope="module")
def page():
    found = result([finding("fail", 4.0), finding("pass", 12.0, "housing / lid")])
    return to_html(
        found,
        {"Sorrel van": assembly("Sorrel van", "rail")},
        explanations={
            "fit-gap": "Gap.\n\nWhat: asks ``gap``.\n\nWhy: harm.\n\nRemedy: move.\n\nX: y"
        },
    )


def test_tags_pair_and_the_policy_lets_nothing_in(page):
    parsed = Page(page)
    policy = next(a["content"] for a in parsed.all("meta") if "http-equiv" in a)
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    assert not parsed.all("script") and not parsed.all("link")
    addresses = [a.get("src") or a.get("href") for t in ("img", "a") for a in parsed.all(t)]
    assert all(address.startswith(("data:image/", "#")) for address in addresses)
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page


def test_it_says_verdict_numbers_remedy_place_and_source(page):
    text = Page(page).text
    for words in (
        "Heron blower",
        "project.toml · geomcheck 0.1.0",
        "2 questions: 1 failed, 1 passed.",
        "Exit code 1: at least one requirement is not met.",
        "fail",
        "4.00 mm (3.90 .. 4.05)",
        "at least 10.00 mm",
        'class "fuel line"',
        "Move it.",
        'project.toml, line 41: vehicle "Sorrel van" > part "rail"',
        "on the housing",
        "60.000",
        "facets",
        "0.100",
        "float32",
        "-1.250",
        "What. asks gap .",
        "Remedy. move.",
        "meshes/rail.stl",
        "240.0 × 20.0 × 20.0",
    ):
        assert words in text, words
    assert "X: y" not in text


def test_worst_stands_first_and_every_row_leads_to_its_card(page):
    parsed = Page(page)
    anchors = {a["id"] for _, a in parsed.tags if "id" in a}
    links = [a["href"][1:] for a in parsed.all("a")]
    assert set(links) <= anchors
    assert page.index("housing / rail") < page.index("housing / lid")


def test_the_banner_has_the_worst_verdict(page):
    assert '<div class="verdict fail">' in page
    better = to_html(result([finding("pass", 30.0)]), {}, pictures=False)
    assert '<div class="verdict pass">' in better


def test_every_picture_has_words(page):
    pictures = Page(page).all("img")
    assert len(pictures) == 2
    assert all("mm from the housing." in a["alt"] for a in pictures)
    content = base64.b64decode(pictures[0]["src"].split(",", 1)[1])
    assert content.startswith(b"\x89PNG")


def test_headings_do_not_skip_and_tables_have_heads(page):
    parsed = Page(page)
    levels = [int(tag[1]) for tag, _ in parsed.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert all(a.get("scope") in ("col", "row") for a in parsed.all("th"))
    tables = [tag for tag, _ in parsed.tags if tag in ("table", "caption")]
    assert tables.count("table") == tables.count("caption") > 2
    assert parsed.all("html")[0]["lang"] == "en"


def test_the_same_result_gives_the_same_page(page):
    found = result([finding("fail", 4.0), finding("pass", 12.0, "housing / lid")])
    again = to_html(
        found,
        {"Sorrel van": assembly("Sorrel van", "rail")},
        explanations={
            "fit-gap": "Gap.\n\nWhat: asks ``gap``.\n\nWhy: harm.\n\nRemedy: move.\n\nX: y"
        },
    )
    assert again == page


def test_everything_from_users_is_escaped():
    one = finding(
        "fail",
        4.0,
        subject=EVIL,
        vehicle=EVIL,
        rail=EVIL,
        code=EVIL,
        message=EVIL,
        remedy=EVIL,
        caution=EVIL,
        entry=EntryRef(EVIL, 3, EVIL),
        requirement=Requirement("at least", 10.0, "mm", EVIL),
        witnesses=(Witness(EVIL, EVIL, (0.0, 60.0, 0.0)),),
        details={
            EVIL: EVIL,
            "rows": [{EVIL: EVIL}],
            "inner": {EVIL: EVIL},
            "list": [EVIL],
            "curve": {"s": [0.0, 1.0, 2.0], "area": [5.0, None, 4.0], "state": [EVIL] * 3},
            "restrictions": [{"s": 1.0, "part": EVIL, "percent": 3.0}],
        },
    )
    found = result([one], vehicles=(EVIL,), rail=EVIL)
    text = to_html(
        found,
        {EVIL: assembly(EVIL, EVIL)},
        explanations={EVIL: f"{EVIL}\n\nWhat: {EVIL} ``{EVIL}``"},
    )
    parsed = Page(text)
    assert not parsed.all("script")
    assert not any("onerror" in attrs for _, attrs in parsed.tags)
    assert all(a["src"].startswith("data:") for a in parsed.all("img"))
    assert '<script>alert("x")</script>' in parsed.text


def test_without_pictures_the_curves_stay():
    details = {"curve": {"s": [0.0, 1.0, 2.0], "area": [5.0, 4.0, 4.5]}}
    found = result([finding("fail", 4.0, details=details)])
    text = to_html(found, {"Sorrel van": assembly("Sorrel van", "rail")}, pictures=False)
    (picture,) = Page(text).all("img")
    assert picture["src"].startswith("data:image/svg+xml;base64,")


def test_a_curve_two_vehicles_share_is_held_once():
    details = {"curve": {"s": [0.0, 1.0, 2.0], "area": [5.0, 4.0, 4.5]}}
    both = ("Sorrel van", "Juniper hatch")
    found = [finding("fail", 4.0, vehicle=name, details=details) for name in both]
    text = to_html(result(found, vehicles=both), {}, pictures=False)
    parsed = Page(text)
    assert not parsed.all("img") and text.count("data:image/svg+xml") == 1
    (held,), (used,) = parsed.all("image"), parsed.all("use")
    assert used["href"] == f"#{held['id']}"
    assert all(a["role"] == "img" and a["aria-label"] for a in parsed.all("svg"))


def test_pictures_that_were_left_out_are_told(monkeypatch):
    found = [finding("fail", 4.0 + k, f"housing / {k}") for k in range(3)]
    shown = {"Sorrel van": assembly("Sorrel van", "rail")}
    first = Page(to_html(result(found), shown)).all("img")[0]["src"]
    monkeypatch.setattr(html, "_BUDGET", len(first) + 100)
    text = Page(to_html(result(found), shown))
    assert [a["src"] for a in text.all("img")] == [first]
    assert "2 of 3 pictures were left out" in text.text
    assert text.text.count("The picture of this place was left out") == 2


def test_a_waived_finding_has_its_picture():
    found = result([finding("waived", 4.0)])
    parsed = Page(to_html(found, {"Sorrel van": assembly("Sorrel van", "rail")}))
    assert len(parsed.all("img")) == 1


def test_passes_are_one_row_a_check_and_stand_behind_what_failed():
    found = [finding("pass", 12.0 + k, f"housing / {k}") for k in range(40)]
    page = to_html(result([finding("fail", 4.0), *found]), {}, pictures=False)
    text = Page(page).text
    assert page.count('<tr class="pass">') == 1
    row = page[page.index('<tr class="pass">') :].partition("</tr>")[0]
    assert ">40<" in row and "housing / 0" in row and "12.00 mm" in row
    assert page.index('<tr class="fail">') < page.index('<tr class="pass">')
    assert page.count('<details class="line pass"') == 40 and "housing / 39" in text


def test_an_empty_result_says_so():
    text = Page(to_html(result([], vehicles=()), {})).text
    assert "No questions were asked." in text
    assert "Exit code 3: nothing was checked, or" in text


def test_findings_without_numbers_or_places_are_shown():
    bare = Finding("part-sound", Verdict.ERROR, "Sorrel van", "rail", (), "It cannot be read.")
    text = Page(to_html(result([bare]), {})).text
    assert "It cannot be read." in text and "error" in text


def test_of_the_passes_of_a_check_only_the_scantiest_has_a_picture():
    values = (30.0, 11.0, 14.0, 12.0)
    found = [finding("pass", value, f"housing / {value}") for value in values]
    shown = {"Sorrel van": assembly("Sorrel van", "rail")}
    pictures = Page(to_html(result(found), shown)).all("img")
    assert [a["alt"].split(" is ")[1][:8] for a in pictures] == ["11.00 mm"]
    assert not Page(to_html(result([finding("pass", 30.0)]), shown)).all("img")


@pytest.mark.parametrize(
    ("sense", "limit", "share"),
    [("at least", 10.0, 0.19), ("at most", 20.0, 0.3975), ("at least", 0.0, 1.19)],
)
def test_margin_is_the_worst_of_the_interval(sense, limit, share):
    found = finding("pass", 12.0, requirement=Requirement(sense, limit, "mm"))
    assert margin(found) == pytest.approx(share)


def test_a_page_is_written_whole_or_not_at_all(tmp_path):
    found = result([finding("pass", 12.0)])
    target = tmp_path / "out" / "page.html"
    write_html(found, {}, target, pictures=False)
    assert target.read_text(encoding="utf-8").endswith("</html>\n")
    assert list(target.parent.iterdir()) == [target]
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="cannot be written"):
        write_html(found, {}, tmp_path / "file" / "page.html", pictures=False)


def test_every_verdict_has_a_colour_symbol_and_word_on_the_page():
    found = [finding(verdict.value, 12.0, verdict.value) for verdict in Verdict]
    text = to_html(result(found), {}, pictures=False)
    for verdict in Verdict:
        name = verdict.value.replace(" ", "-")
        assert f"--{name}: {palette.hex_colour(palette.VERDICTS[verdict])}" in text
        assert f'class="badge {name}"' in text
