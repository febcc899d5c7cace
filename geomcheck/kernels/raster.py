"""Triangles to pixels: nearest surface, winding number at a cutting plane, outlines, blending.

Corners come as fixed-point pixel coordinates (``SUB`` steps to a pixel), so that coverage is
decided in whole numbers: a pixel centre on a shared edge belongs to exactly one of the two
triangles, and a closed mesh is counted exactly. Edge functions and the fill rule for ties are the
common practice of rasterisers (Pineda 1988, from memory); spans are solved per row instead of
testing every pixel of the bounding box, since long slivers are common in castings. One thread,
triangles in order, strict comparison: the lowest triangle number wins a tie, and two runs give
the same pixels.
"""

import numba
import numpy as np

SUB = 256


@numba.njit(cache=True, nogil=True, inline="never")
def _span(ax, ay, bx, by, y, left, right):
    """Narrow the columns left..right of the row at fixed-point height y to one edge's inner side.

    The edge runs a -> b with the inside where (b - a) x (p - a) >= 0. An edge that includes its
    own points has its twin, which runs the other way, exclude them.
    """
    dx = bx - ax
    dy = by - ay
    most = dx * (y - ay) + dy * ax - dy * (SUB // 2)
    if not (dy > 0 or (dy == 0 and dx > 0)):
        most -= 1
    step = dy * SUB
    if step > 0:
        right = min(right, most // step)
    elif step < 0:
        left = max(left, -(most // -step))
    elif most < 0:
        right = left - 1
    return left, right


@numba.njit(cache=True, nogil=True)
def draw(corners, heights, offset, near, depth, ids, winding):
    """Draw triangles into buffers.

    Parameters
    ----------
    corners : (n, 3, 2) int64
        Fixed-point column and row of each corner.
    heights : (n, 3) float64
        Distance of each corner along the view direction, mm.
    offset : int
        Added to the triangle number where it is written to ``ids``.
    near : float
        Nothing nearer than this is drawn; ``-inf`` for no cut.
    depth : (h, w) float32
        Nearest distance so far.
    ids : (h, w) int32
        Number of the triangle there.
    winding : (h, w) int16
        Gains 1 for each triangle beyond ``near`` seen from behind, loses 1 for each seen from in
        front: the winding number of the point of the cutting plane at this pixel. Not counted if
        it has no rows.
    """
    rows, columns = depth.shape
    counting = winding.shape[0] > 0
    half = SUB // 2
    for t in range(corners.shape[0]):
        ax = corners[t, 0, 0]
        ay = corners[t, 0, 1]
        bx = corners[t, 1, 0]
        by = corners[t, 1, 1]
        cx = corners[t, 2, 0]
        cy = corners[t, 2, 1]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0:
            continue
        za = heights[t, 0]
        zb = heights[t, 1]
        zc = heights[t, 2]
        far = max(za, max(zb, zc))
        if far < near:
            continue
        turn = 1
        if area < 0:
            bx, by, zb, cx, cy, zc = cx, cy, zc, bx, by, zb
            area = -area
            turn = -1
        first = max(0, (min(ay, min(by, cy)) - half + SUB - 1) // SUB)
        last = min(rows - 1, (max(ay, max(by, cy)) - half) // SUB)
        if first > last or max(ax, max(bx, cx)) < 0 or min(ax, min(bx, cx)) > columns * SUB:
            continue
        least = min(za, min(zb, zc))
        slope_x = ((zb - za) * (cy - ay) - (zc - za) * (by - ay)) / area
        slope_y = ((zc - za) * (bx - ax) - (zb - za) * (cx - ax)) / area
        for row in range(first, last + 1):
            y = row * SUB + half
            left = np.int64(0)
            right = np.int64(columns - 1)
            left, right = _span(ax, ay, bx, by, y, left, right)
            left, right = _span(bx, by, cx, cy, y, left, right)
            left, right = _span(cx, cy, ax, ay, y, left, right)
            base = za + slope_y * (y - ay)
            for column in range(left, right + 1):
                z = base + slope_x * (column * SUB + half - ax)
                z = min(far, max(least, z))
                if z < near:
                    continue
                if counting:
                    winding[row, column] += turn
                if np.float32(z) < depth[row, column]:
                    depth[row, column] = np.float32(z)
                    ids[row, column] = t + offset


@numba.njit(cache=True, nogil=True)
def outline(label, ids, depth, normals, crease, jump, pixel, out):
    """Mark outlines: 2 where parts or depths break, 1 at creases, on the nearer side.

    Parameters
    ----------
    label : (h, w) int32
        What is seen at each pixel; -1 for nothing.
    ids : (h, w) int32
        Triangle at each pixel, -1 for none (a cut face).
    depth : (h, w) float32
        mm along the view direction.
    normals : (n, 3) float32
        Unit normals in camera axes (right, down, away).
    crease : (labels,) float32
        Cosine of the least angle drawn as a crease, for each label; -2 for none.
    jump : float
        Step in depth, mm, beyond what the slopes explain, that makes an outline.
    pixel : float
        Width of a pixel, mm.
    out : (h, w) uint8
        Marks; must be zero.
    """
    rows, columns = label.shape
    for y in range(rows):
        for x in range(columns):
            one = label[y, x]
            for k in range(2):
                v = y + k
                u = x + 1 - k
                if v >= rows or u >= columns:
                    continue
                two = label[v, u]
                if one < 0 and two < 0:
                    continue
                mark = 0
                if one != two:
                    mark = 2
                elif ids[y, x] != ids[v, u] and ids[y, x] >= 0 and ids[v, u] >= 0:
                    i = ids[y, x]
                    j = ids[v, u]
                    dot = np.float32(0.0)
                    for c in range(3):
                        dot += normals[i, c] * normals[j, c]
                    steep = np.float32(0.0)
                    for n in (i, j):
                        away = max(abs(normals[n, 2]), np.float32(0.05))
                        steep += abs(normals[n, 1 if k == 1 else 0]) / away
                    if abs(depth[y, x] - depth[v, u]) > jump + pixel * steep:
                        mark = 2
                    elif dot < crease[one]:
                        mark = 1
                if mark > 0:
                    if two < 0 or (one >= 0 and depth[y, x] <= depth[v, u]):
                        out[y, x] = max(out[y, x], mark)
                    else:
                        out[v, u] = max(out[v, u], mark)


@numba.njit(cache=True, nogil=True)
def colour(ids, table, image):
    """Give each pixel of ``image`` (h, w, c) the row of ``table`` (n, c) its triangle has."""
    rows, columns = ids.shape
    for y in range(rows):
        for x in range(columns):
            t = ids[y, x]
            if t >= 0:
                for c in range(table.shape[1]):
                    image[y, x, c] = table[t, c]


@numba.njit(cache=True, nogil=True)
def blend(windows, depths, layers, image, solid):
    """Lay translucent layers over an image, farthest first at each pixel.

    Parameters
    ----------
    windows : (layers, 5) int64
        Where each layer is: first row, first column, rows, columns, and where its pixels begin in
        ``depths`` and ``layers``.
    depths : (pixels,) float32
        Depth of each layer, row by row; inf where it has nothing.
    layers : (pixels, 4) uint8
        Red, green, blue, and opacity (255 for opaque).
    image : (h, w, 3) uint8
        Changed in place.
    solid : (h, w) float32
        Depth of what is opaque: layers behind it are left out.
    """
    count = windows.shape[0]
    rows, columns = solid.shape
    order = np.empty(count, np.int64)
    for y in range(rows):
        for x in range(columns):
            found = 0
            for k in range(count):
                v = y - windows[k, 0]
                u = x - windows[k, 1]
                if v < 0 or u < 0 or v >= windows[k, 2] or u >= windows[k, 3]:
                    continue
                pixel = windows[k, 4] + v * windows[k, 3] + u
                z = depths[pixel]
                if z < solid[y, x]:
                    at = found
                    while at > 0 and depths[order[at - 1]] < z:
                        order[at] = order[at - 1]
                        at -= 1
                    order[at] = pixel
                    found += 1
            for n in range(found):
                pixel = order[n]
                a = np.int64(layers[pixel, 3])
                for c in range(3):
                    under = np.int64(image[y, x, c])
                    over = np.int64(layers[pixel, c])
                    image[y, x, c] = np.uint8((over * a + under * (255 - a) + 127) // 255)


@numba.njit(cache=True, nogil=True)
def cap(winding, number, face, line, rising, pitch, times, label, image):
    """Lay the cut face of one layer, hatched, into label and image.

    Parameters
    ----------
    winding : (h, w) int16
        Winding numbers at the cutting plane; the layer is cut where they are above 0.
    number : int
        Label of the cut face.
    face, line : (3,) uint8
        Colours of the face and of its lines.
    rising : bool
        Which way the lines at 45 degrees run.
    pitch : int
        Pixels from line to line, along a row.
    times : (h, w) uint8
        Gains 1 where the layer is cut.
    label : (h, w) int32
        Changed in place.
    image : (h, w, 3) uint8
        Changed in place.
    """
    rows, columns = winding.shape
    for y in range(rows):
        for x in range(columns):
            if winding[y, x] <= 0:
                continue
            times[y, x] += 1
            label[y, x] = number
            phase = (y + x if rising else y - x) % pitch
            for c in range(3):
                image[y, x, c] = line[c] if phase < 2 else face[c]


@numba.njit(cache=True, nogil=True)
def ink(marks, strengths, colour, image):
    """Darken an image where outlines are marked: 1 thin, 2 a pixel wider to the right and down.

    Parameters
    ----------
    marks : (h, w) uint8
        As from :func:`outline`.
    strengths : (2,) float64
        Share of the colour for marks 1 and 2.
    colour : (3,) uint8
    image : (h, w, 3) uint8
        Changed in place.
    """
    rows, columns = marks.shape
    for y in range(rows):
        for x in range(columns):
            strong = marks[y, x] == 2
            strong = strong or (y > 0 and marks[y - 1, x] == 2)
            strong = strong or (x > 0 and marks[y, x - 1] == 2)
            if marks[y, x] != 1 and not strong:
                continue
            for c in range(3):
                under = np.float64(image[y, x, c])
                if marks[y, x] == 1:
                    under = np.rint(under + (colour[c] - under) * strengths[0])
                if strong:
                    under = np.rint(under + (colour[c] - under) * strengths[1])
                image[y, x, c] = np.uint8(under)


@numba.njit(cache=True, nogil=True)
def rim(marks, label, colours, tone):
    """Draw the outlines of a translucent layer into its tone, within the layer.

    Parameters
    ----------
    marks : (h, w) uint8
        As from :func:`outline`; 2 is drawn a pixel wider to the right and down.
    label : (h, w) int32
        -1 where the layer is not.
    colours : (2, 4) uint8
        Red, green, blue and opacity of marks 1 and 2.
    tone : (h, w, 4) uint8
        Changed in place.
    """
    rows, columns = marks.shape
    for y in range(rows):
        for x in range(columns):
            mark = marks[y, x]
            if label[y, x] < 0:
                continue
            if (y > 0 and marks[y - 1, x] == 2) or (x > 0 and marks[y, x - 1] == 2):
                mark = 2
            if mark > 0:
                for c in range(4):
                    tone[y, x, c] = colours[mark - 1, c]


@numba.njit(cache=True, nogil=True)
def tint(label, tinted, coarse, tones, step, base, keep, image):
    """Multiply a colour known at every so many pixels into the shaded surfaces of some labels.

    Parameters
    ----------
    label : (h, w) int32
    tinted : (labels,) bool
        Which labels are coloured.
    coarse : (rows, columns) bool
        Whether there is a colour for a square of pixels; what is left over at the right and the
        foot goes with the last.
    tones : (rows, columns, 3) uint8
    step : int
        Pixels across a square.
    base : (3,) float32
        Colour of the surface without shade.
    keep : float
        How much of the shade is left.
    image : (h, w, 3) uint8
        Changed in place.
    """
    rows, columns = label.shape
    for y in range(rows):
        v = min(y // step, coarse.shape[0] - 1)
        for x in range(columns):
            if label[y, x] < 0 or not tinted[label[y, x]]:
                continue
            u = min(x // step, coarse.shape[1] - 1)
            if not coarse[v, u]:
                continue
            for c in range(3):
                light = np.float32(image[y, x, c]) / base[c]
                light = np.float32(1.0) + keep * (light - np.float32(1.0))
                value = np.rint(np.float32(tones[v, u, c]) * light)
                image[y, x, c] = np.uint8(min(np.float32(255.0), max(np.float32(0.0), value)))
