"""Write the demo's meshes into meshes/demo, and the project file of the later revision.

The bytes are the same on every run.

    python scripts/make_meshes.py [FOLDER]

Needs geomcheck's own dependencies (manifold3d, shapely, matplotlib for the cast letters). The
firm, the casting and both vehicles are invented. The project files, the lists of planted truths
and this script belong together: see meshes/README.md.
"""

from __future__ import annotations

import sys
from pathlib import Path

import demo_carried as carried
import demo_juniper as juniper
import demo_sorrel as sorrel
import manifold3d as m3
import numpy as np
from demo_files import ordered, triangles, write_ascii_stl, write_obj, write_ply, write_stl
from demo_housing import housing
from demo_layout import B, C
from demo_project import later
from demo_shapes import Array

DEMO = Path(__file__).resolve().parent.parent / "meshes" / "demo"

#: From the housing's axes to those of each vehicle: the inverse of ``place`` in the project file.
#: Whole numbers and quarter turns, so that no corner moves by more than float32 rounds it.
JUNIPER = np.array([[1, 0, 0, 620], [0, 1, 0, -40], [0, 0, 1, 710]], dtype=float)
SORREL = np.array([[0, 1, 0, 120], [-1, 0, 0, 835], [0, 0, 1, 590]], dtype=float)
#: From the Sorrel van's axes to the scanner's, in which the bulkhead is delivered: two turns with
#: decimal sines and cosines (3-4-5 and 7-24-25), then a shift. The project file places it by
#: targets.
SCANNER = np.array(
    [[0.6, -0.8, 0.0, 700.0], [0.224, 0.168, -0.96, 430.0], [0.768, 0.576, 0.28, -800.0]]
)

#: The part whose file is in inches, the one in ASCII, the one as OBJ.
IN_INCHES = "alternator"
IN_ASCII = "alternator_bracket"
AS_OBJ = "expansion_tank"


def moved(tri: Array, matrix: Array) -> Array:
    """Triangles in other axes, put in order again."""
    return ordered(np.round(tri @ matrix[:, :3].T + matrix[:, 3], 4) + 0.0)


def closed(shape: m3.Manifold, name: str) -> Array:
    """Triangles of one solid body; refuses crumbs that a cut left behind."""
    if len(shape.decompose()) != 1:
        raise ValueError(f"{name} fell into {len(shape.decompose())} bodies")
    tri = triangles(shape)
    _, index = np.unique(tri.reshape(-1, 3), axis=0, return_inverse=True)
    faces = index.reshape(-1, 3)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    if not np.array_equal(np.unique(edges, axis=0), np.unique(edges[:, ::-1], axis=0)):
        raise ValueError(f"{name} is not closed on the grid of the file")
    return tri


def write(folder: Path) -> list[Path]:
    """Write every mesh; returns the files."""
    ours = {
        "housing": housing(B),
        "housing_c": housing(C),
        "rotor_left": carried.rotor(-1.0),
        "rotor_right": carried.rotor(1.0),
        "throttle_body": carried.throttle_body(),
        "throttle_blade": carried.throttle_blade(),
        "bypass_valve": carried.bypass_valve(),
        "drive_pulley": carried.drive_pulley(),
        "rear_bracket": carried.rear_bracket(),
    }
    written: list[Path] = []

    def put(path: Path, tri: Array) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        name = path.stem
        if name == IN_INCHES:
            write_stl(path, tri / 25.4)
        elif name == IN_ASCII:
            write_ascii_stl(path, tri, name)
        elif path.suffix == ".obj":
            write_obj(path, tri)
        elif path.suffix == ".ply":
            write_ply(path, tri)
        else:
            write_stl(path, tri)
        written.append(path)

    for name, shape in ours.items():
        put(folder / f"{name}.stl", closed(shape, name))
    for name, shape in juniper.parts().items():
        put(folder / "juniper" / f"{name}.stl", moved(closed(shape, name), JUNIPER))
    for name, shape in sorrel.parts().items():
        suffix = "obj" if name == AS_OBJ else "stl"
        put(folder / "sorrel" / f"{name}.{suffix}", moved(closed(shape, name), SORREL))
    scan = np.round(sorrel.bulkhead_scan(), 3)
    put(folder / "sorrel" / "bulkhead_scan.ply", moved(moved(scan, SORREL), SCANNER))
    return written


def main() -> int:
    """Write, and tell how much."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO
    files = write(folder)
    text = (DEMO / "project.toml").read_text(encoding="utf-8")
    (folder / "project_c.toml").write_text(later(text), encoding="utf-8", newline="\n")
    size = sum(path.stat().st_size for path in files)
    print(f"wrote {len(files)} meshes, {size / 1e6:.2f} MB, and project_c.toml to {folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
