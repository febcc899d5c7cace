"""The raster kernel against closed forms, ray casting and brute force."""

import io
import math

import numpy as np
import PIL.Image
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.kernels import raster
from geomcheck.mesh.query import first_hit, winding_number
from geomcheck.reports.still.camera import Camera
from geomcheck.reports.still.sheet import Sheet, pixels

SIZE = 200


def buffers(count=True):
    depth = np.full((SIZE, SIZE), np.inf, dtype=np.float32)
    ids = np.full((SIZE, SIZE), -1, dtype=np.int32)
    winding = np.zeros((SIZE, SIZE) if count else (0, 0), dtype=np.int16)
    return depth, ids, winding


def draw(triangles, near=-math.inf):
    """Draw triangles given in pixels (x, y) and mm (z)."""
    corners = np.rint(triangles[..., :2] * raster.SUB).astype(np.int64)
    out = buffers()
    raster.draw(corners, np.ascontiguousarray(triangles[..., 2]), 0, near, *out)
    return out


def turned(mesh, seed):
    spin = trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3))
    copy = mesh.copy()
    copy.apply_transform(spin)
    copy.apply_translation((SIZE / 2, SIZE / 2, 0.0))
    return copy


def centres():
    y, x = np.mgrid[0:SIZE, 0:SIZE] + 0.5
    return x.ravel(), y.ravel()


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_two_triangles_that_share_an_edge_cover_each_pixel_once(seed):
    """Any split of a convex quadrangle: no pixel twice, none missed."""
    rng = np.random.default_rng(seed)
    angles = np.sort(rng.random(4)) * 2 * math.pi
    corners = SIZE / 2 + 80 * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    corners = np.round(corners * rng.choice([1, 2, 256])) / 2.0 if rng.random() < 0.5 else corners
    points = np.column_stack([corners, np.zeros(4)])
    covered = []
    for order in ((0, 1, 2), (0, 2, 3)), ((1, 2, 3), (1, 3, 0)):
        times = np.zeros((SIZE, SIZE), dtype=int)
        for row in order:
            times += draw(points[list(row)][None])[1] >= 0
        assert times.max() <= 1
        covered.append(times)
    if len({tuple(p) for p in points.tolist()}) == 4:
        inside = [np.count_nonzero(times) for times in covered]
        assert inside[0] == inside[1]


def test_depth_is_that_of_the_plane():
    """z = 3 + 0.25 x - 0.5 y, read at pixel centres."""
    xy = np.array([[10.0, 10.0], [190.0, 20.0], [60.0, 180.0]])
    z = 3 + 0.25 * xy[:, 0] - 0.5 * xy[:, 1]
    depth, ids, _ = draw(np.column_stack([xy, z])[None])
    rows, columns = np.nonzero(ids == 0)
    assert len(rows) == pytest.approx(0.5 * (180 * 170 - 10 * 50), rel=0.01)
    expected = 3 + 0.25 * (columns + 0.5) - 0.5 * (rows + 0.5)
    assert depth[rows, columns] == pytest.approx(expected, abs=1e-4)


def test_first_surface_agrees_with_ray_casting():
    """Independent route: the project's ray kernel, one ray for each pixel."""
    mesh = turned(trimesh.creation.torus(60, 22, major_sections=48, minor_sections=24), 4)
    depth, _, _ = draw(mesh.triangles)
    x, y = centres()
    origins = np.column_stack([x, y, np.full(len(x), -300.0)])
    t, _ = first_hit(mesh, origins, np.tile([0.0, 0.0, 1.0], (len(x), 1)))
    ours = depth.ravel()
    both = np.isfinite(ours) & np.isfinite(t)
    # Corners are snapped to 1/256 pixel: outlines may differ by single pixels.
    assert np.count_nonzero(np.isfinite(ours) != np.isfinite(t)) < 40
    assert both.sum() > 5000
    away = np.abs(ours[both] - (t[both] - 300.0))
    assert np.quantile(away, 0.99) < 0.05


@pytest.mark.parametrize("seed", range(3))
def test_winding_on_the_cut_agrees_with_solid_angles(seed):
    """Two overlapping balls in one mesh: 0, 1 and 2, as the generalised winding number gives."""
    one = trimesh.creation.icosphere(3, radius=60.0)
    two = one.copy()
    two.apply_translation((50.0, 0.0, 0.0))
    mesh = turned(trimesh.util.concatenate([one, two]), seed)
    _, _, winding = draw(mesh.triangles, near=7.0)
    x, y = centres()
    keep = np.arange(0, len(x), 37)
    points = np.column_stack([x, y, np.full(len(x), 7.0)])[keep]
    expected = np.rint(winding_number(mesh, points)).astype(int)
    found = winding.ravel()[keep]
    assert np.count_nonzero(found != expected) <= 3
    assert set(np.unique(found)) == {0, 1, 2}


def test_cut_area_of_a_ball():
    """Plane 30 off the centre of a ball of 80: pi (80^2 - 30^2), less what its facets cut off."""
    ball = trimesh.creation.icosphere(5, radius=80.0)
    ball.apply_translation((SIZE / 2, SIZE / 2, 0.0))
    _, _, winding = draw(ball.triangles, near=30.0)
    assert np.count_nonzero(winding == 1) == pytest.approx(math.pi * 5500, rel=3e-3)
    assert set(np.unique(winding)) == {0, 1}


def test_a_closed_mesh_winds_nought_without_a_cut():
    mesh = turned(trimesh.creation.torus(60, 22, major_sections=40, minor_sections=20), 9)
    _, _, winding = draw(mesh.triangles)
    assert not winding.any()


def test_equal_depth_goes_to_the_lowest_number():
    triangle = np.array([[10.0, 10, 5], [190, 10, 5], [10, 190, 5]])
    _, ids, _ = draw(np.stack([triangle, triangle[[1, 2, 0]]]))
    assert set(np.unique(ids)) == {-1, 0}


def test_slivers_and_far_corners_are_drawn_without_harm():
    triangles = np.array(
        [
            [[5.0, 5, 1], [195, 195, 1], [195, 195.2, 1]],
            [[-1e5, -1e5, 2], [1e5, 0, 2], [0, 1e5, 2]],
            [[50, 50, 3], [50, 50, 3], [60, 60, 3]],
        ]
    )
    _, ids, _ = draw(triangles)
    assert (ids >= 0).all()
    assert 2 not in ids


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6))
def test_blending_agrees_with_sorting_each_pixel(seed, count):
    """Brute force: sort by depth, lay one over the other in floating point."""
    rng = np.random.default_rng(seed)
    depths = rng.choice([1.0, 2, 3, 4, 5, np.inf], (count, 3, 4)).astype(np.float32)
    layers = rng.integers(0, 256, (count, 3, 4, 4), dtype=np.uint8)
    image = rng.integers(0, 256, (3, 4, 3), dtype=np.uint8)
    solid = rng.choice([2.5, np.inf], (3, 4)).astype(np.float32)
    expected = image.astype(float)
    for y in range(3):
        for x in range(4):
            order = sorted(range(count), key=lambda k: -depths[k, y, x])
            for k in order:
                if depths[k, y, x] < solid[y, x]:
                    share = layers[k, y, x, 3] / 255
                    over = layers[k, y, x, :3].astype(float)
                    expected[y, x] = over * share + expected[y, x] * (1 - share)
    # Each layer in a window round what it has, and one row more where there is one.
    windows, flat, tones = [], [], []
    for k in range(count):
        filled = np.isfinite(depths[k]).any(axis=1)
        top = int(rng.integers(0, int(np.argmax(filled)) + 1)) if filled.any() else 0
        left = 0 if np.isfinite(depths[k][:, 0]).any() else 1
        windows.append((top, left, 3 - top, 4 - left, sum(map(len, flat))))
        flat.append(depths[k][top:, left:].ravel())
        tones.append(layers[k][top:, left:].reshape(-1, 4))
    raster.blend(np.array(windows), np.concatenate(flat), np.concatenate(tones), image, solid)
    # Each layer rounds once.
    assert np.abs(image - expected).max() <= 0.5 * count + 1e-9


def test_outlines_of_a_box():
    """A box seen at an angle: creases between its three faces, an outline round it."""
    box = trimesh.creation.box((80, 80, 80))
    spin = trimesh.transformations.euler_matrix(0.6, 0.5, 0.2)
    box.apply_transform(spin)
    normals = box.face_normals.astype(np.float32)
    box.apply_translation((SIZE / 2, SIZE / 2, 0))
    depth, ids, _ = draw(box.triangles)
    label = np.where(ids >= 0, 0, -1).astype(np.int32)
    marks = np.zeros((SIZE, SIZE), dtype=np.uint8)
    crease = np.array([math.cos(math.radians(32))], dtype=np.float32)
    raster.outline(label, ids, depth, normals, crease, 1.0, 1.0, marks)
    assert (marks[label < 0] == 0).all()
    # The border of what is covered, found with shifts.
    inside = label >= 0
    border = inside & ~(
        np.roll(inside, 1, 0)
        & np.roll(inside, -1, 0)
        & np.roll(inside, 1, 1)
        & np.roll(inside, -1, 1)
    )
    assert np.array_equal(marks == 2, border)
    assert 60 < np.count_nonzero(marks == 1) < 400


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_what_the_camera_leaves_out_draws_nothing(seed, cut):
    """Drawn whole and drawn as the camera gives it: the same depths, winding and normals."""
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.torus(60, 22, major_sections=24, minor_sections=12)
    triangles = np.asarray(mesh.triangles) + rng.uniform(-90, 90, 3)
    forward = rng.normal(size=3)
    camera = Camera.looking(forward, rng.uniform(-20, 20, 3), float(rng.uniform(2, 120)))
    near = float(rng.uniform(-30, 30)) if cut else -math.inf
    at, heights = camera.place(triangles, SIZE, SIZE)
    corners = np.rint(np.clip(at, -(1 << 20), 1 << 20) * raster.SUB).astype(np.int64)
    whole, some = buffers(), buffers()
    raster.draw(corners, np.ascontiguousarray(heights), 0, near, *whole)
    looked = camera.look(triangles, SIZE, SIZE, near)
    raster.draw(looked.corners, looked.heights, 0, near, *some)
    # Corners may fall to either side of half a step of 1/256 pixel.
    assert np.count_nonzero((whole[1] < 0) != (some[1] < 0)) <= 2
    assert np.count_nonzero(whole[2] != some[2]) <= 2
    both = (whole[1] >= 0) & (some[1] >= 0)
    if both.any():
        assert np.quantile(np.abs(whole[0][both] - some[0][both]), 0.99) < 1e-3
    # Face normals by the mesh library, turned towards the camera.
    normals = mesh.face_normals @ camera.axes.T
    normals[normals[:, 2] > 0] *= -1
    rows = np.flatnonzero(both.ravel())[::29]
    mine = looked.normals[some[1].ravel()[rows]]
    dots = (mine * normals[whole[1].ravel()[rows]]).sum(axis=1)
    assert np.mean(dots > 1 - 1e-5) > 0.98 if len(rows) else True
    assert len(looked.heights) <= len(triangles)
    if len(looked.corners):
        assert (looked.box[0] == looked.corners.min(axis=(0, 1))).all()
        assert (looked.box[1] == looked.corners.max(axis=(0, 1))).all()


def grown(mask):
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:, 1:] |= mask[:, :-1]
    return out


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_lines_hatching_and_tints_agree_with_whole_picture_arithmetic(seed):
    """The same marks laid by numpy masks over the whole picture."""
    rng = np.random.default_rng(seed)
    shape = (23, 31)
    marks = rng.choice([0, 0, 0, 1, 2], shape).astype(np.uint8)
    image = rng.integers(0, 256, (*shape, 3), dtype=np.uint8)
    label = rng.integers(-1, 3, shape, dtype=np.int32)
    colour = np.array([24, 33, 48], dtype=np.uint8)

    wanted = image.copy()
    for mask, share in ((marks == 1, 0.38), (grown(marks == 2), 0.85)):
        under = wanted[mask].astype(float)
        wanted[mask] = np.rint(under + (colour - under) * share).astype(np.uint8)
    found = image.copy()
    raster.ink(marks, np.array([0.38, 0.85]), colour, found)
    assert (found == wanted).all()

    marks[label < 0] = 0
    lines = rng.integers(0, 256, (2, 4), dtype=np.uint8)
    tone = rng.integers(0, 256, (*shape, 4), dtype=np.uint8)
    wanted = tone.copy()
    wanted[marks == 1] = lines[0]
    wanted[grown(marks == 2) & (label >= 0)] = lines[1]
    raster.rim(marks, label, lines, tone)
    assert (tone == wanted).all()

    winding = rng.integers(-1, 3, shape).astype(np.int16)
    rising = bool(rng.integers(2))
    times = np.zeros(shape, dtype=np.uint8)
    wanted, named = image.copy(), label.copy()
    rows, columns = np.indices(shape)
    wanted[winding > 0], named[winding > 0] = (1, 2, 3), 9
    phase = (rows + columns if rising else rows - columns) % 15
    wanted[(winding > 0) & (phase < 2)] = (4, 5, 6)
    found, known = image.copy(), label.copy()
    tones = np.array([[1, 2, 3], [4, 5, 6]], dtype=np.uint8)
    raster.cap(winding, 9, tones[0], tones[1], rising, 15, times, known, found)
    assert (found == wanted).all() and (known == named).all()
    assert ((times == 1) == (winding > 0)).all()

    known = rng.integers(0, 2, (4, 5)).astype(bool)
    coarse = rng.integers(0, 256, (4, 5, 3), dtype=np.uint8)
    v, u = np.minimum(rows // 6, 3), np.minimum(columns // 6, 4)
    here = known[v, u] & (label == 1)
    light = image.astype(np.float32) / np.array([226, 230, 238], dtype=np.float32)
    light = 1 + np.float32(0.4) * (light - 1)
    wanted = np.where(here[..., None], np.clip(np.rint(coarse[v, u] * light), 0, 255), image)
    found = image.copy()
    base = np.array([226, 230, 238], dtype=np.float32)
    raster.tint(
        label, np.array([False, True, False]), known, coarse, 6, base, np.float32(0.4), found
    )
    assert (found == wanted.astype(np.uint8)).all()


def test_a_table_of_colours_keeps_rare_ones_and_moves_none_far():
    """A grey ramp over a picture, 40 pixels of orange, noise: orange stays, no grey turns."""
    rng = np.random.default_rng(5)
    sheet = Sheet(256, 200)
    ramp = np.repeat(np.arange(256, dtype=np.uint8), 2)[None, :, None]
    field = np.broadcast_to(ramp, (400, 512, 3)).copy()
    field[:200] = np.clip(field[:200].astype(int) + rng.integers(-60, 61, (200, 512, 3)), 0, 255)
    field[300:304, 40:80] = (217, 72, 15)
    sheet.paste(field, 0, 0)
    content = sheet.png()
    with PIL.Image.open(io.BytesIO(content)) as image:
        assert image.mode == "P" and len(image.getcolors()) <= 256
    shown = pixels(content).astype(int)
    true = field.reshape(200, 2, 256, 2, 3).mean(axis=(1, 3))
    assert np.abs(shown - true).max() < 32
    assert np.abs(shown[150:152, 20:40] - (217, 72, 15)).max() <= 6
    greys = shown[110:140]
    assert np.ptp(greys, axis=2).max() <= 24
    assert content == sheet.png()
