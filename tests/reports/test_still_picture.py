"""Pictures of findings: what they show, and that they are the same every time."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.mesh.part import Part, PartSet
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.soundness import judge
from geomcheck.mesh.tree import TriangleTree
from geomcheck.reports import palette
from geomcheck.reports.still import picture
from geomcheck.reports.still.camera import Camera, choose_cut, directions
from geomcheck.reports.still.layer import Layer
from geomcheck.reports.still.mark import bar_length
from geomcheck.reports.still.paint import paint
from geomcheck.reports.still.picture import HEIGHT, VIEW, WIDTH
from geomcheck.reports.still.scene import build
from geomcheck.reports.still.shapes import tool_triangles
from geomcheck.reports.still.sheet import pixels, shorten
from geomcheck.reports.still.sight import hidden
from geomcheck.reports.still.tint import GapTint, ToolTint

ASPECT = VIEW / HEIGHT


def part(name, mesh, role="neighbour", kind=""):
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int64)
    sound = judge(vertices, faces)
    bound = Sagitta.declared(0.0, len(faces))
    return Part(name, role, kind, Path(f"{name}.stl"), vertices, faces, sound, bound)


def box(size, at):
    mesh = trimesh.creation.box(size)
    mesh.apply_translation(at)
    return mesh


def finding(parts, points, value, **more):
    witnesses = tuple(
        Witness(f"on {name}", name, point) for name, point in zip(parts, points, strict=False)
    )
    return Finding(
        "fit-gap",
        Verdict.FAIL,
        "Sorrel van",
        " / ".join(parts),
        tuple(parts),
        "message",
        quantity=Quantity("gap", value, "mm", value - 0.1, value + 0.1),
        requirement=Requirement("at least", 20.0, "mm"),
        witnesses=witnesses,
        **more,
    )


@pytest.fixture(scope="module")
def cell():
    """A housing, a rail 12 mm beside it, a lid over all."""
    return PartSet(
        [
            part("housing", box((200, 120, 80), (0, 0, 0)), role="housing"),
            part("rail", box((240, 20, 20), (0, 82, 0)), kind="fuel line"),
            part("lid", box((400, 400, 4), (0, 0, 90)), kind="body panel"),
        ]
    )


def gap_finding(**more):
    return finding(("housing", "rail"), [(0.0, 60.0, 0.0), (0.0, 72.0, 0.0)], 12.0, **more)


def counted(image, colour, within=3):
    return int((np.abs(image.astype(int) - np.array(colour)).max(axis=-1) <= within).sum())


def test_picture_is_a_png_of_the_stated_size_and_the_same_twice(cell):
    one = picture(gap_finding(), cell)
    two = picture(gap_finding(), PartSet(list(cell.values())))
    assert one == two
    assert pixels(one).shape == (HEIGHT, WIDTH, 3)
    assert len(one) < 200_000


def test_place_is_seen_and_the_gap_lies_in_the_picture(cell):
    scene = build(gap_finding(), cell, ASPECT)
    assert scene.cut is None
    assert abs(scene.camera.forward @ [0, 1, 0]) < 0.8
    between = np.array([[0.0, 66.0, 0.0]])
    trees = [cell["housing"].tree, cell["rail"].tree]
    assert hidden(trees, between, scene.camera.forward[None, :])[0] == 0.0
    at, _ = scene.camera.place(scene.place, VIEW, HEIGHT)
    assert at == pytest.approx([VIEW / 2, HEIGHT / 2])


def test_the_findings_own_view_is_kept_where_the_place_is_in_sight(cell):
    wish = (-1.0, 0.0, 0.0)
    assert build(gap_finding(view=wish), cell, ASPECT).camera.forward == pytest.approx(wish)
    blind = (0.0, 1.0, 0.0)
    scene = build(gap_finding(view=blind), cell, ASPECT)
    assert scene.camera.forward != pytest.approx(blind)


def test_a_place_inside_a_closed_shell_is_cut_open():
    """A ball inside a hollow box can be seen from nowhere: cut faces show, and the gap's line."""
    shell = trimesh.util.concatenate(
        [box((100, 100, 100), (0, 0, 0)), box((80, 80, 80), (0, 0, 0))]
    )
    shell.faces[12:] = shell.faces[12:, ::-1]
    ball = trimesh.creation.icosphere(3, radius=25.0)
    parts = PartSet([part("housing", shell, role="housing"), part("ball", ball)])
    found = finding(("housing", "ball"), [(0.0, 0.0, 40.0), (0.0, 0.0, 25.0)], 15.0)
    scene = build(found, parts, ASPECT)
    assert scene.cut is not None
    assert abs(scene.camera.forward @ [0, 0, 1]) < 1e-9
    wide = Camera.looking(scene.camera.forward, np.zeros(3), 60.0)
    painted = paint(scene.layers, wide, VIEW, HEIGHT, cut=0.0137)
    assert not painted.overlap
    mm2 = 1.0 / wide.scale(HEIGHT) ** 2
    cut = [np.count_nonzero(painted.cut & seen) * mm2 for seen in painted.seen]
    assert cut == pytest.approx([100**2 - 80**2, math.pi * 625], rel=0.02)


def test_overlap_is_shown_in_its_own_colour_and_size():
    """Boxes of 40 and 30 that share a 10 x 20 rectangle on the cut."""
    parts = PartSet(
        [
            part("housing", box((40, 40, 40), (0, 0, 0)), role="housing"),
            part("bracket", box((30, 30, 20), (25, 0, 0))),
        ]
    )
    found = finding(("housing", "bracket"), [(20.0, 0.0, 0.0), (10.0, 0.0, 0.0)], -10.0)
    scene = build(found, parts, ASPECT)
    painted = paint(scene.layers, scene.camera, VIEW, HEIGHT, cut=scene.cut)
    assert painted.overlap
    shown = counted(painted.image, palette.OVERLAP, 0) / scene.camera.scale(HEIGHT) ** 2
    assert shown == pytest.approx(10 * 20, rel=0.05)
    assert counted(pixels(picture(found, parts)), palette.OVERLAP) > 1000


def test_a_place_on_an_end_face_is_cut_inside_it():
    """Both boxes end at x = 20, where the place is; whichever way one looks, both are cut."""
    for x in (20.0, -20.0):
        parts = PartSet(
            [
                part("housing", box((40, 40, 40), (0, 0, 0)), role="housing"),
                part("bracket", box((40, 10, 40), (0, 25.1, 0))),
            ]
        )
        found = finding(("housing", "bracket"), [(x, 20.0, 0.0), (x, 20.1, 0.0)], 0.1)
        scene = build(found, parts, ASPECT)
        painted = paint(scene.layers, scene.camera, VIEW, HEIGHT, cut=scene.cut)
        assert all((painted.cut & seen).any() for seen in painted.seen)


def test_a_part_wholly_inside_another_is_seen_as_overlap():
    parts = PartSet(
        [
            part("housing", box((80, 80, 80), (0, 0, 0)), role="housing"),
            part("clip", box((6, 6, 6), (0, 0, 0))),
        ]
    )
    found = finding(("housing", "clip"), [(0.0, 0.0, 3.0), (0.0, 0.0, 40.0)], -37.0)
    scene = build(found, parts, ASPECT)
    painted = paint(scene.layers, scene.camera, VIEW, HEIGHT, cut=scene.cut)
    assert painted.overlap and painted.seen[1].any()


def test_a_cut_shows_open_surfaces_as_a_line():
    sheet = trimesh.Trimesh(
        [[-80, -80, 60.1], [80, -80, 60.1], [80, 80, 60.1], [-80, 80, 60.1]],
        [[0, 1, 2], [0, 2, 3]],
    )
    parts = PartSet(
        [part("housing", box((100, 100, 120), (0, 0, 0)), role="housing"), part("bonnet", sheet)]
    )
    found = finding(("housing", "bonnet"), [(0.0, 0.0, 60.0), (0.0, 0.0, 60.1)], 0.1)
    assert build(found, parts, ASPECT).cut is not None
    image = pixels(picture(found, parts))[:, :VIEW]
    blue = (image[..., 2].astype(int) - image[..., 0] > 60).sum(axis=1)
    assert blue.max() > 0.7 * VIEW
    assert (blue > 0.5 * VIEW).sum() <= 6


def test_a_tool_is_drawn_and_what_stands_in_it_is_overlap(cell):
    tool = {
        "name": "socket",
        "at": [0, 0, 40.0],
        "axis": [0, 0, 1],
        "profile": [[0, 30, 20.0], [30, 80, 12.0]],
    }
    found = Finding(
        "fasten-reach",
        Verdict.FAIL,
        "Sorrel van",
        'bolt "B1"',
        ("housing", "lid"),
        "message",
        witnesses=(Witness("lid", "lid", (0.0, 0.0, 88.0)),),
        details={"tool": tool},
    )
    scene = build(found, cell, ASPECT)
    assert [layer.name for layer in scene.layers][-1] == "socket"
    image = pixels(picture(found, cell))[:, :VIEW]
    warm = (image[..., 0].astype(int) - image[..., 2] > 70).sum()
    assert warm > 2000


def test_tool_solid_is_closed_and_has_its_volume():
    """Cylinders of 64 sides: (n / 2) r^2 sin(2 pi / n) h."""
    profile = np.array([[0.0, 30.0, 20.0], [30.0, 80.0, 12.0]])
    axis = np.array([0.6, 0.0, 0.8])
    triangles = tool_triangles(np.array([5.0, 6.0, 7.0]), axis, profile)
    mesh = trimesh.Trimesh(triangles.reshape(-1, 3), np.arange(len(triangles) * 3).reshape(-1, 3))
    mesh.merge_vertices()
    round_area = 32 * math.sin(2 * math.pi / 64)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(round_area * (100 * 30 + 36 * 50))
    along = (triangles.reshape(-1, 3) - [5, 6, 7]) @ axis
    assert (along.min(), along.max()) == pytest.approx((0.0, 80.0))


def test_a_duct_is_cut_along_its_path_and_shows_path_and_throat():
    pipe = trimesh.creation.annulus(30, 36, 200, sections=64)
    pipe.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], [1, 0, 0]))
    parts = PartSet([part("housing", pipe, role="housing")])
    angle = np.linspace(0, 2 * math.pi, 40, endpoint=False)
    ring = np.column_stack([np.zeros(40), 30 * np.cos(angle), 30 * np.sin(angle)])
    found = Finding(
        "flow-area",
        Verdict.FAIL,
        "bench",
        'duct "inlet"',
        ("housing",),
        "message",
        witnesses=(Witness("throat", "housing", (0.0, 0.0, 0.0)),),
        details={
            "path": [[-100.0, 0, 0], [0, 0, 0], [100, 0, 0]],
            "outlines": {"throat": [ring.tolist()]},
        },
    )
    scene = build(found, parts, ASPECT)
    assert abs(scene.camera.forward @ [1, 0, 0]) < 1e-9
    assert len(scene.strokes) == 2
    image = pixels(picture(found, parts))[:, :VIEW]
    assert counted(image, palette.PATH) > 500
    # The throat's outline, seen edge on, stands across the bore of 60 mm.
    near = image[:, VIEW // 2 - 2 : VIEW // 2 + 2].astype(int)
    rows = (np.abs(near - np.array(palette.PATH)).max(axis=-1) < 30).any(axis=1)
    assert rows.sum() == pytest.approx(60 * scene.camera.scale(HEIGHT), abs=16)


def test_a_place_of_no_part_of_the_assembly_is_drawn(cell):
    """A finding of the whole order of work, say: it names a place, and no part."""
    parts = PartSet([*cell.values()])
    places = (Witness("stopped here", "", (0.0, 0.0, 40.0)),)
    found = replace(gap_finding(), parts=(), witnesses=places, quantity=None, requirement=None)
    assert pixels(picture(found, parts)).shape == (HEIGHT, WIDTH, 3)


def test_nothing_to_show_gives_no_picture(cell):
    lost = Finding("fit-gap", Verdict.ERROR, "van", "x", ("no such part",), "message")
    assert picture(lost, cell) is None


def test_a_part_of_the_picture_far_away_or_huge_does_no_harm(cell):
    far = part("mast", box((10, 10, 4e6), (0, 300, 0)))
    assert picture(gap_finding(), PartSet([*cell.values(), far])) is not None


def test_names_are_drawn_whatever_they_hold(cell):
    odd = "tab\tnewline\nvery long name " + "w" * 120
    parts = PartSet([cell["housing"], part(odd, box((240, 20, 20), (0, 82, 0)))])
    found = finding(("housing", odd), [(0.0, 60.0, 0.0), (0.0, 72.0, 0.0)], 12.0)
    assert picture(found, parts) is not None
    assert "\n" not in shorten(odd, 200, 16)


def test_ghosts_are_laid_over_each_other_by_depth():
    """Two crossing sheets: each is in front on its own side."""
    one = np.array([[[-10.0, 5, -10], [10, -5, -10], [0, 0, 10]]])
    two = np.array([[[-10.0, -5, -10], [10, 5, -10], [0, 0, 10]]])
    layers = [
        Layer("one", one, (255, 0, 0), 0.5, False, False),
        Layer("two", two, (0, 0, 255), 0.5, False, False),
    ]
    camera = Camera.looking(np.array([0.0, 1.0, 0.0]), np.zeros(3), 10.0)
    image = paint(layers, camera, 100, 100).image.astype(int)
    left, right = image[80, 20], image[80, 80]
    assert left[2] > left[0]
    assert right[0] > right[2]
    swapped = paint(layers[::-1], camera, 100, 100).image.astype(int)
    assert np.array_equal(swapped, image)


def test_camera_frame_is_right_handed_and_to_scale():
    for forward in directions():
        camera = Camera.looking(forward, np.array([1.0, 2.0, 3.0]), 50.0)
        frame = np.stack([camera.right, camera.up, -camera.forward])
        assert frame @ frame.T == pytest.approx(np.eye(3))
        assert np.linalg.det(frame) == pytest.approx(1.0)
        at, depth = camera.place(camera.centre + 7.0 * camera.up + 2.0 * camera.forward, 400, 200)
        assert at == pytest.approx([200.0, 100.0 - 14.0])
        assert depth == pytest.approx(2.0)


def test_a_cut_holds_the_directions_it_must():
    rng = np.random.default_rng(8)
    for _ in range(50):
        one, two = rng.normal(size=(2, 3))
        one, two = one / np.linalg.norm(one), two / np.linalg.norm(two)
        assert abs(choose_cut([one]) @ one) < 1e-9
        normal = choose_cut([one, two])
        assert max(abs(normal @ one), abs(normal @ two)) < 1e-9


@pytest.mark.parametrize(
    ("longest", "length"), [(1.0, 1.0), (1.99, 1.0), (4.9, 2.0), (9.0, 5.0), (0.3, 0.2), (250, 200)]
)
def test_scale_bars_have_round_lengths(longest, length):
    assert bar_length(longest) == pytest.approx(length)


def test_what_stands_inside_a_tool_is_coloured():
    """A block's face crosses a tool of 20 mm: a disc of radius 10 less the drawn line of 0.1."""
    block = Layer("block", box((80, 80, 10), (0, 0, 5)).triangles, palette.OURS)
    camera = Camera.looking(np.array([0.0, 0.0, -1.0]), np.zeros(3), 50.0)
    axis, profile = np.array([0.0, 0.0, 1.0]), np.array([[0.0, 20.0, 20.0]])
    inside = ToolTint(np.zeros(3), axis, profile, camera)
    rests = ToolTint(np.array([0.0, 0.0, 10.0]), axis, profile, camera)
    image = paint([block], camera, 500, 500, tint=inside).image
    assert counted(image, palette.OVERLAP, 0) / 25.0 == pytest.approx(math.pi * 9.9**2, rel=0.01)
    assert counted(paint([block], camera, 500, 500, tint=rests).image, palette.OVERLAP, 0) == 0


def test_surfaces_are_coloured_by_their_gap():
    """A flat face beside a wall: the colour at a spot is that of its distance."""
    block = Layer("block", box((80, 80, 10), (0, 0, -5)).triangles, palette.OURS)
    wall = TriangleTree(box((2, 80, 10), (-41, 0, 5)).triangles)
    camera = Camera.looking(np.array([0.0, 0.0, -1.0]), np.zeros(3), 50.0)
    painted = paint([block], camera, 500, 500, tint=GapTint([0], wall, "wall", camera)).image
    plain = paint([block], camera, 500, 500).image
    for x in (-35.0, -20.0, -12.0, 5.0):
        column = round(250 + x * 5)
        # Coloured surfaces keep two fifths of the light, what is beyond the scale all of it.
        light = 1 + 0.4 * (plain[250, column] / np.array(palette.OURS, dtype=float) - 1)
        # The gap is read in the middle of squares of six pixels.
        gap = (column // 6 * 6 + 3.5 - 250) / 5 + 40.0
        expected = palette.gap_colours(np.array([gap]))[0] * light
        if gap > palette.GAP_END:
            expected = plain[250, column]
        assert painted[250, column] == pytest.approx(np.clip(expected, 0, 255), abs=1), x


# --- parts in a pose -----------------------------------------------------------------------------

#: The rail 7 mm nearer to the housing.
NEARER = [[1.0, 0, 0, 0], [0, 1.0, 0, -7.0], [0, 0, 1.0, 0], [0, 0, 0, 1.0]]


def moved_finding(maps):
    """First witness where the rail stands, then the two of the pose."""
    points = [(0.0, 72.0, 0.0), (0.0, 65.0, 0.0), (0.0, 60.0, 0.0)]
    witnesses = tuple(
        Witness(f"point {number}", name, point)
        for number, (name, point) in enumerate(
            zip(("rail", "rail", "housing"), points, strict=True)
        )
    )
    return Finding(
        "fit-movement",
        Verdict.FAIL,
        "Sorrel van",
        "run: rail / housing",
        ("rail", "housing"),
        "message",
        quantity=Quantity("least gap", 5.0, "mm", 4.9, 5.1),
        witnesses=witnesses,
        details={"maps": maps},
    )


def test_a_moved_part_is_drawn_in_its_pose_and_ghosted_where_it_stands(cell):
    eye = np.eye(4).tolist()
    scene = build(moved_finding({"rail": NEARER, "housing": eye}), cell, ASPECT)
    assert [layer.name for layer in scene.layers] == ["housing", "rail", "lid", "rail"]
    moved, rest = scene.layers[1], scene.layers[3]
    assert moved.triangles[..., 1].min() == pytest.approx(65.0) and moved.opacity == 1.0
    assert rest.triangles[..., 1].min() == pytest.approx(72.0) and rest.opacity < 0.5
    assert (moved.note, rest.note) == ("in that pose", "as it stands")
    assert scene.layers[0].note == ""
    # The measure is drawn between the points of the pose.
    assert scene.ends[:, 1] == pytest.approx([65.0, 60.0])
    assert cell["rail"].vertices[:, 1].min() == pytest.approx(72.0)
    pictures = [pixels(picture(moved_finding(m), cell)) for m in ({"rail": NEARER}, {"rail": eye})]
    assert not np.array_equal(*pictures)


def test_what_is_left_out_in_a_state_is_not_drawn(cell):
    gone = replace(moved_finding({"rail": NEARER}), details={"maps": {}, "left_out": ["rail"]})
    scene = build(gone, cell, ASPECT)
    assert [layer.name for layer in scene.layers] == ["housing", "lid"]


def test_without_a_pose_nothing_is_ghosted_twice(cell):
    for maps in ({}, {"rail": np.eye(4).tolist()}, {"stranger": NEARER}):
        scene = build(moved_finding(maps), cell, ASPECT)
        assert [layer.name for layer in scene.layers] == ["housing", "rail", "lid"]
        assert not any(layer.note for layer in scene.layers)
        # Measured is between the last two places, be the pose that in which the part stands.
        assert scene.ends[:, 1] == pytest.approx([65.0, 60.0] if maps else [72.0, 65.0])


def test_of_two_neighbours_the_one_kept_clear_of_is_to_blame(cell):
    scene = build(finding(("rail", "lid"), [(0.0, 82.0, 10.0), (0.0, 82.0, 88.0)], 78.0), cell, 1.0)
    colours = {layer.name: layer.colour for layer in scene.layers}
    assert colours["lid"] == palette.BLAMED and colours["rail"] == palette.OURS
    assert colours["housing"] == palette.GHOST
