"""Placing parts from the project file: datum pairs, patches, and what is refused with its line."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from geomcheck.errors import ProjectError
from geomcheck.mesh.placement import apply, rigid
from geomcheck.project.load import load

#: Where the scan lies in its own axes: seen from the housing, turned and moved.
THERE = rigid([((0.2, 1, 0.4), 35.0, (10, 0, 0))], (400, -120, 60))
#: Four points of the bracket in the housing's axes.
AT = np.array([(60, 0, 0), (120, 0, 0), (60, 50, 0), (120, 50, 30)], dtype=float)

HEAD = """format = 1
name = "t"
unit = "mm"
[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
[[vehicle]]
name = "van"
"""


def bracket():
    return trimesh.creation.box(bounds=[(60, 0, 0), (120, 50, 30)])


def pairs(part, at=AT):
    rows = (
        f"{{ part = [{', '.join(map(repr, map(float, p)))}], "
        f"at = [{', '.join(map(repr, map(float, q)))}] }}"
        for p, q in zip(part, at, strict=True)
    )
    return "[" + ", ".join(rows) + "]"


@pytest.fixture
def project(tmp_path):
    def write(entry, mesh=None, head=HEAD):
        trimesh.creation.box((100, 100, 100)).export(tmp_path / "housing.stl")
        (mesh or bracket().apply_transform(THERE)).export(tmp_path / "bracket.stl")
        text = f'{head}[[vehicle.part]]\nname = "bracket"\nfile = "bracket.stl"\n{entry}\n'
        (tmp_path / "project.toml").write_text(text)
        return load(tmp_path / "project.toml")

    return write


def only(project):
    (assembly,) = project.assemble()
    return assembly.parts["bracket"]


def refused(project):
    with pytest.raises(ProjectError) as caught:
        list(project.assemble())
    assert caught.value.line is not None
    return caught.value.text


def test_datum_pairs_bring_a_part_to_its_place(project):
    part = only(project(f"place = {{ datums = {pairs(apply(THERE, AT))} }}"))
    assert part.bounds == pytest.approx(np.array([(60, 0, 0), (120, 50, 30)]), abs=1e-4)
    (alignment,) = part.alignments
    assert alignment.fit.rms < 1e-9 and "bracket" in alignment.name


def test_a_vehicle_placed_by_datums_shares_one_alignment(project):
    vehicle = apply(THERE, AT)
    vehicle[3] += (0, 0, 0.3)
    head = HEAD + f"place = {{ datums = {pairs(vehicle)} }}\n"
    head += '[[vehicle.part]]\nname = "other"\nfile = "bracket.stl"\n'
    (assembly,) = project("", head=head).assemble()
    one, two = (assembly.parts[name] for name in ("bracket", "other"))
    assert one.alignments[0] is two.alignments[0]
    assert one.alignments[0].name == "alignment of vehicle van by datum points"
    assert one.bounds == pytest.approx(np.array([(60, 0, 0), (120, 50, 30)]), abs=1.0)


def test_part_and_vehicle_alignments_both_count(project):
    noisy = apply(THERE, AT)
    noisy[0] += (0.2, 0, 0)
    move = np.array((5.0, 0, 0))
    head = HEAD + f"place = {{ datums = {pairs(AT, AT + move)}, accuracy = 0.4 }}\n"
    part = only(project(f"place = {{ datums = {pairs(noisy)} }}", head=head))
    own, vehicle = part.alignments
    assert part.bounds[0, 0] == pytest.approx(65, abs=0.3)
    # Each in the housing's axes: smallest in the middle of its own points there.
    middle = (AT + move).mean(axis=0)[None]
    for alignment in (own, vehicle):
        assert alignment.centre == pytest.approx(middle[0], abs=0.3)
    assert vehicle.amount(middle)[0] == pytest.approx(0.2)


# --- refused -------------------------------------------------------------------------------------


def test_two_datums(project):
    with pytest.raises(ProjectError, match=r"2 datum pairs cannot place a part.*three or more"):
        project(f"place = {{ datums = {pairs(AT[:2], AT[:2])} }}")


def test_collinear_datums(project):
    line = np.array([(60, 0, 0), (90, 0, 0), (120, 0, 0)], dtype=float)
    text = refused(project(f"place = {{ datums = {pairs(apply(THERE, line), line)} }}"))
    assert "in one line" in text and 'part "bracket" > place > datums' in text


def test_coincident_datums(project):
    same = AT[[0, 1, 1]]
    assert "one and the same" in refused(project(f"place = {{ datums = {pairs(same, AT[:3])} }}"))


def test_mirrored_scan(project):
    hand = bracket().apply_transform(THERE)
    hand.vertices *= (-1, 1, 1)
    points = apply(THERE, AT) * (-1, 1, 1)
    text = refused(project(f"place = {{ datums = {pairs(points)} }}", hand))
    assert "fit much better mirrored" in text and "right hand" in text


@pytest.mark.parametrize(("factor", "words"), [(25.4, "exported in inches?"), (10, "in cm?")])
def test_scan_in_another_unit(factor, words, project):
    small = bracket().apply_transform(THERE).apply_scale(1 / factor)
    text = refused(project(f"place = {{ datums = {pairs(apply(THERE, AT) / factor)} }}", small))
    assert f"best at {factor:g} times its size" in text and words in text
    assert "nothing is rescaled" in text


def test_exchanged_datums(project):
    points = apply(THERE, AT)[[1, 0, 2, 3]]
    assert "do not belong together" in refused(project(f"place = {{ datums = {pairs(points)} }}"))


def test_datum_far_outside_the_part(project):
    far = np.array([(900, 0, 0), (1000, 0, 0), (900, 90, 0), (900, 0, 80)], dtype=float)
    text = refused(project(f"place = {{ datums = {pairs(apply(THERE, far), far)} }}"))
    assert "datum point 1 of bracket lies" in text and "outside the part" in text


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("datums = {pairs}, move = [1, 0, 0]", "one of: a matrix, turns and a move, datums"),
        ("accuracy = 0.1", "accuracy is that of datums"),
        ("datums = {pairs}, scale = 1.0", "unknown key 'scale'"),
    ],
)
def test_wrong_tables(place, words, project):
    with pytest.raises(ProjectError, match=words) as caught:
        project(f"place = {{ {place.replace('{pairs}', pairs(AT))} }}")
    assert caught.value.line == 13


@pytest.mark.parametrize(
    ("casting", "words"),
    [
        (
            '{ grade = "DCTG 17", datum = [0, 0, 0] }',
            "no casting tolerance grade .*DCTG 1, ",
        ),
        ('{ grade = "DCTG 9" }', "'datum' is missing"),
        ("{ datum = [0, 0, 0] }", "'grade' is missing"),
    ],
)
def test_a_grade_must_be_chosen_and_exist(casting, words, project):
    with pytest.raises(ProjectError, match=words) as caught:
        project(f"casting = {casting}")
    assert caught.value.line == 13


# --- patches -------------------------------------------------------------------------------------

REFINE = """refine = { to = "housing", patches = [
  { at = [50, 0, 0], radius = 20 },
  { low = [-20, 45, -20], high = [20, 55, 20] },
  { at = [0, 0, 50], radius = 20 } ] }"""


def skin(noise=0.0):
    """A scan of the housing's own skin, with some cells of 5 mm."""
    mesh = trimesh.creation.box((100, 100, 100)).subdivide_to_size(8)
    mesh.vertices += np.random.default_rng(0).normal(0, noise, mesh.vertices.shape)
    return mesh


def test_patches_lay_a_part_on_the_housing(project):
    off = rigid([((1, 1, 0), 0.6, (0, 0, 0))], (0.8, -0.5, 0.4))
    part = only(project(REFINE, skin(0.02).apply_transform(off)))
    assert apply(part.place @ off, AT) == pytest.approx(AT, abs=0.05)
    (alignment,) = part.alignments
    assert alignment.laid.moved > 0.5 and alignment.name == "alignment of bracket on housing"
    assert 0.005 < alignment.amount(np.zeros((1, 3)))[0] < 0.2


def test_a_part_laid_on_another_stands_no_better_than_that(project):
    """The other is the housing's shape again, placed by datum points known to 0.4 mm."""
    head = HEAD + '[[vehicle.part]]\nname = "rail"\nfile = "housing.stl"\n'
    head += f"place = {{ datums = {pairs(AT / 3, AT / 3)}, accuracy = 0.4 }}\n"
    part = only(project(REFINE.replace('"housing"', '"rail"'), skin(0.02), head))
    own, others = part.alignments
    assert own.laid is not None and "datum points" in others.name
    assert others.amount(AT.mean(axis=0)[None] / 3)[0] == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"housing"', '"bonnet"', "which is not placed before it"),
        ('"housing"', '"bracket"', "is to be laid on itself: bracket on bracket"),
        ("{ low = [-20, 45, -20], high = [20, 55, 20] },", "", "leave the part free to slide"),
        ("at = [50, 0, 0], radius = 20", "at = [500, 0, 0], radius = 20", "patch 1 holds 0"),
    ],
)
def test_wrong_patches(old, new, words, project):
    assert words in refused(project(REFINE.replace(old, new), skin()))


def test_patches_in_a_circle(project):
    """Listing the other part first would only turn the question round."""
    head = HEAD + '[[vehicle.part]]\nname = "rail"\nfile = "housing.stl"\n'
    head += REFINE.replace('"housing"', '"bracket"') + "\n"
    text = refused(project(REFINE.replace('"housing"', '"rail"'), skin(), head))
    assert "rail is to be laid on itself: rail on bracket on rail" in text
    assert 'part "rail" > refine > to' in text
    # A part listed later is no circle.
    text = refused(project("", skin(), head))
    assert "which is not placed before it" in text and "list that part first" in text


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("scan = { noise = -0.1 }", "greater than or equal to 0"),
        ("scan = { alignment = -1 }", "greater than or equal to 0"),
        ("scan = { nois = 0.1 }", "unknown key 'nois'"),
        ("print_tolerance = -0.2", "greater than or equal to 0"),
        ('trim = "some"', "trim is 'never', 'free' or a depth"),
        ("trim = -2", "trim is 'never', 'free' or a depth"),
        ("place = { datums = [], accuracy = -1 }", "greater than or equal to 0"),
        ('refine = { to = "housing", patches = [] }', "at least 1"),
        (REFINE[:-1] + ", trim = 0.9 }", "less than or equal to 0.5"),
        (REFINE[:-1] + ", within = 0 }", "greater than 0"),
    ],
)
def test_tolerances_that_cannot_be(entry, words, project):
    with pytest.raises(ProjectError, match=words) as caught:
        project(entry)
    assert caught.value.line >= 13 and 'part "bracket"' in caught.value.text


def test_a_patch_is_a_ball_or_a_box(project):
    with pytest.raises(ProjectError, match="either at and radius, or low and high"):
        project(REFINE.replace("at = [50, 0, 0], radius = 20", "at = [50, 0, 0]"))
