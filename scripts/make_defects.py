"""Write meshes/defects/: small files, each named for what is wrong with it (or only looks wrong).

    python scripts/make_defects.py [FOLDER]

Needs numpy only. The same bytes come out every time. ``tests/mesh/test_defects.py`` holds what
geomcheck must say about each.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import numpy as np

CORNERS = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
QUADS = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
BOX = np.array([t for a, b, c, d in QUADS for t in ((a, b, c), (a, c, d))])


def box(size=(40, 30, 20), at=(0, 0, 0)):
    """(12, 3, 3) triangles of a box, outwards."""
    return CORNERS[BOX] * size + at


def binary(triangles, header=b"geomcheck test mesh", count=None):
    """Bytes of a binary STL."""
    triangles = np.asarray(triangles, dtype="<f4")
    record = np.zeros(len(triangles), dtype=[("n", "<f4", 3), ("t", "<f4", (3, 3)), ("a", "<u2")])
    record["t"] = triangles
    stated = len(triangles) if count is None else count
    return header.ljust(80, b" ")[:80] + struct.pack("<I", stated) + record.tobytes()


def text(triangles, *, name="part", end="\n", indent="  ", upper=False, number="{:.6f}".format):
    """Bytes of an ASCII STL."""
    lines = [f"solid {name}"]
    for triangle in triangles:
        lines += [f"{indent}facet normal 0 0 0", f"{indent * 2}outer loop"]
        lines += [f"{indent * 3}vertex " + " ".join(map(number, p)) for p in triangle]
        lines += [f"{indent * 2}endloop", f"{indent}endfacet"]
    out = end.join([*lines, f"endsolid {name}", ""])
    return (out.upper() if upper else out).encode()


def spoilt(triangles, row, value):
    """The triangles with one coordinate replaced."""
    out = np.array(triangles, dtype=float)
    out[row, 1, 1] = value
    return out


def split_edge(triangles):
    """One triangle's first edge split by a corner its neighbour does not have, and the needle."""
    a, b, c = triangles[0]
    middle = (a + b) / 2
    needle = [b, middle, a]
    return np.vstack([triangles[1:], [[a, middle, c]], [[middle, b, c]], [needle]])


def pages():
    """Name and content of every file."""
    good = box()
    inner = box((20, 10, 8), (10, 10, 6))
    cube = box((10,) * 3)
    both = np.vstack([good, inner])
    grid = [
        [[x, y, 0], [x + 10, y, 0], [x, y + 10, 0]]
        for x in range(0, 40, 10)
        for y in range(0, 30, 10)
    ]
    lone = [np.add(t, (0, 0, 3 * k)) for k, t in enumerate(grid)]
    flipped = good.copy()
    flipped[::2] = flipped[::2, ::-1]
    yield "sound_box.stl", binary(good)
    yield "sound_cavity.stl", binary(np.vstack([good, inner[:, ::-1]]))
    yield "sound_two_bodies.stl", binary(np.vstack([good, box(at=(60, 0, 0))]))
    yield (
        "sound_touching_edge.stl",
        binary(np.vstack([cube, box((10,) * 3, (10, 10, 0))])),
    )
    yield "sound_needle_in_t_junction.stl", binary(split_edge(good))
    yield "sound_binary_begins_with_solid.stl", binary(good, b"solid box")
    yield "sound_ascii_crlf.stl", text(good, end="\r\n")
    yield "sound_ascii_cr.stl", text(good, end="\r")
    yield "sound_ascii_upper_case.stl", text(good, upper=True)
    yield "sound_ascii_byte_order_mark.stl", b"\xef\xbb\xbf" + text(good)
    yield "sound_ascii_two_solids.stl", text(good) + text(box(at=(60, 0, 0)), name="two")
    yield "inside_out.stl", binary(good[:, ::-1])
    yield "mirrored_not_turned.stl", binary(good * [-1, 1, 1])
    yield "one_triangle_missing.stl", binary(good[1:])
    yield "one_triangle_flipped.stl", binary(np.vstack([good[:1, ::-1], good[1:]]))
    yield "one_triangle_twice.stl", binary(np.vstack([good, good[:1]]))
    yield "triangle_back_to_back.stl", binary(np.vstack([good, good[:1] + 50, good[:1, ::-1] + 50]))
    yield "zero_area_triangle.stl", binary(np.vstack([good, [good[0][[0, 1, 1]]]]))
    yield "t_junction_open.stl", binary(split_edge(good)[:-1])
    yield "crack_of_a_micron.stl", binary(spoilt(good, 0, good[0, 1, 1] + 1e-3))
    yield "body_in_body.stl", binary(both)
    yield "bodies_overlapping.stl", binary(np.vstack([good, box(at=(20, 10, 5))]))
    yield "body_inside_out_beside.stl", binary(np.vstack([good, inner[:, ::-1] + [60, 0, 0]]))
    yield "doubled_sheet.stl", binary(np.vstack([grid, np.array(grid)[:, ::-1]]))
    yield "half_flipped_soup.stl", binary(flipped)
    yield "loose_triangles.stl", binary(lone)
    yield (
        "wall_on_an_edge.stl",
        binary(np.vstack([good, [[*good[0, :2], [-30, 10, 10]]]])),
    )
    yield "far_from_origin.stl", binary(box(at=(100_000, 0, 0)))
    yield "in_inches.stl", binary(good / 25.4)
    yield "bad_nan.stl", binary(spoilt(good, 7, np.nan))
    yield "bad_infinite.stl", binary(spoilt(good, 7, np.inf))
    yield "bad_astronomic.stl", binary(spoilt(good, 7, 1e30))
    yield "bad_truncated.stl", binary(good)[:-30]
    yield "bad_oversized.stl", binary(good) + b"\0" * 7
    yield "bad_count_too_high.stl", binary(good, count=4_000_000_000)
    yield "bad_count_too_low.stl", binary(good, count=5)
    yield "bad_no_triangles.stl", binary(good[:0])
    yield "bad_header_only.stl", b"\0" * 50
    yield "bad_empty.stl", b""
    yield (
        "bad_git_lfs_pointer.stl",
        b"version https://git-lfs.github.com/spec/v1\noid sha256:" + b"0" * 64 + b"\nsize 684\n",
    )
    yield "bad_web_page.stl", b"<!DOCTYPE html>\n<html><body><h1>404 Not Found</h1></body></html>\n"
    yield "bad_other_text.stl", b"The quick brown fox jumps over the lazy dog.\n" * 5
    yield "bad_ascii_decimal_comma.stl", text(good, number=lambda x: f"{x:.6f}".replace(".", ","))
    yield "bad_ascii_truncated.stl", text(good)[:900]
    yield "bad_ascii_no_end.stl", text(good).rsplit(b"endsolid", 1)[0]
    yield "bad_ascii_number.stl", text(good).replace(b"30.000000", b"3O.000000", 1)
    yield "bad_ascii_nan.stl", text(good).replace(b"30.000000", b"nan", 1)
    yield (
        "bad_ascii_four_corners.stl",
        text(good).replace(b"    endloop", b"      vertex 0 0 0\n    endloop", 1),
    )


def main() -> None:
    """Write all files."""
    default = Path(__file__).resolve().parents[1] / "meshes" / "defects"
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else default
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in pages():
        (folder / name).write_bytes(content)
    (folder / ".gitattributes").write_text("* -text\n", encoding="ascii", newline="\n")
    print(f"wrote {len(list(pages()))} files to {folder}")


if __name__ == "__main__":
    main()
