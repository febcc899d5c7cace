"""Write a first project file from a folder of meshes.

What a mesh can tell (its size) is filled in; what it cannot (unit, class, requirements) is left
as "?", which ``geomcheck check`` refuses: nothing is guessed.
"""

from __future__ import annotations

import os
from pathlib import Path

from geomcheck import standards
from geomcheck.errors import InputError, MeshFileError
from geomcheck.mesh.read import SUFFIXES, read_mesh

_HEAD = """\
# geomcheck project file. Fill in every "?", then run:  geomcheck check {name}
# Lengths are mm, angles degrees, points in the axes of the housing's mesh.

format = 1
name = {title}
unit = "?"            # unit of the mesh files: "mm", "cm", "m" or "in". STL carries none.
                      # A part can state its own:  unit = "in"

# One part must have role = "housing"; what is fitted to it and goes into every vehicle with it
# (rotors, throttle body, valve) is role = "carried".
"""

_VEHICLE = """\

# The parts round the housing, one [[vehicle]] for each application. A vehicle modelled in other
# axes than the housing is moved into them:
#   place = {{ turn = [{{ axis = [0, 0, 1], angle = 90 }}], move = [0, 0, 0] }}
# or, as a scan, by three or more points known on both sides (of a vehicle or of one part):
#   place = {{ datums = [{{ part = [0, 0, 0], at = [0, 0, 0] }}, ...] }}
# How true a part is goes into the interval of every gap to it, each +- mm but the grade:
#   casting = {{ grade = "DCTG 9", datum = [0, 0, 0] }}    (ISO 8062-3; from where dimensions run)
#   scan = {{ noise = 0.1, alignment = 0.3 }}
#   print_tolerance = 0.2
# Where an open mesh ends or has holes, there is no data and nothing is decided near it, unless
#   edge_is_real = true   or   holes_are_real = true
[[vehicle]]
name = "first vehicle"
"""

_TAIL_HEAD = """
# Gap required to each class of neighbour, mm. Starting values with their source; they are not
# rules: decide your own, and local codes and the makers' figures come first.
[check.fit-gap.required]
"""

_TAIL = """
# Faces that are meant to touch:
# [[mate]]
# name = "manifold joint"
# parts = ["housing", "manifold"]
# at = [0, 0, 0]          # a point on the housing's face
# normal = [0, 0, -1]     # out of the housing, towards the other part
# gasket = 1.5

# A movement on which parts keep clear (rock, hinge, sweep, growth), in the housing's axes:
# [[movement]]
# name = "engine rock"
# rock = { turn = [{ axis = [1, 0, 0], about = [0, 0, -150], angle = [-3, 3] }], z = [-4, 4] }
# required = 10           # mm, in every pose

# A flow path, with the parts that make its wall and those that stand in it:
# [[duct]]
# name = "inlet"
# walls = ["housing"]
# obstacles = []
# path = [[0, 0, 0], [0, 0, 50], [0, 20, 90]]   # inlet first, along the middle
# Or leave the path out; it is found between two flat openings, the others shut:
# inlet = { at = [0, 0, 0] }                  # a point in the opening
# outlet = [{ at = [0, 20, 90], normal = [0, 0, 1] }]   # normal: out of the duct, if need be
# closed = [{ at = [0, 30, 40] }]             # such as a bypass port
# least_area = 3000       # mm2
# draw = [30, 60]         # mm along the path: section outlines, with  check ... --drawings FOLDER
# states = ["part-open"]  # measured in each of these; none: as the parts are placed
# [duct.flow]             # an estimate: Mach number, choking, loss of pressure; no flow bench
# mass_flow = 0.2         # kg/s; or displacement (litres), speed (rev/min), volumetric_efficiency
# most_loss = 3           # kPa

# A state: parts turned, moved or left out, for the ducts that name it:
# [[state]]
# name = "part-open"
# [[state.part]]
# name = "throttle blade"
# place = { turn = [{ axis = [1, 0, 0], angle = 40, about = [0, 0, 20] }] }

# A screw: the centre of its seat, the axis towards the tool, size, head and length:
# [[fastener]]
# name = "B1"
# part = "housing"
# at = [0, 0, 0]
# axis = [0, 0, 1]
# size = "M8"
# head = "ISO 4762"
# length = 35
# into = "block"              # with these, its length is checked: the part with the thread,
# material = "cast iron"      # or  engagement = 12  (mm)  or  "1.5d";
# thread_depth = 20           # full thread of a blind hole; or  nut = "ISO 4032"
# load = "first"              # put in on the bench, before the housing goes down

# A tool of your own, in mm up the axis from where it rests on the head:
# [[tool]]
# name = "stubby ratchet"
# kind = "ratchet"            # a family of its own; fasteners may name it in  tools = [...]
# drive = "hexagon"           # or "hexagon socket"
# across_flats = 13
# profile = [[0, 26, 18], [26, 50, 30]]     # from, to, diameter
# handle = [[30, 46, 20, 0, 90]]            # from, to, width, inner and outer radius
# arc = 13                    # degrees it must swing at one go; tilt, pivot, base: it leans

# The order of work (geomcheck steps); the housing with what it carries comes off as one:
# [order]
# allow = 0.2             # overlap that is no obstacle, mm
# box = ["thread locker, medium"]
# [[order.move]]          # what else comes off, or other ways off:
# name = "duct"
# parts = ["duct"]
# directions = [[0, 0, 1]]  # or  via = [[0, 0, 40], [200, 0, 40]], shifts from where it stands
# [[order.rule]]
# first = "duct"
# then = "B1"

# A plug or hose when home: the rim of its socket, the way it is pulled; where it is modelled, the
# parts that are the plug:  itself = ["plug"]
# [[connector]]
# name = "throttle sensor"
# part = "throttle body"
# at = [0, 0, 0]
# axis = [0, 0, 1]
# stroke = 12             # mm, until it is free
# length = 25             # of the body outside the socket
# diameter = 16           # or  box = [24, 10]  with  up = [0, 1, 0]; a hose: bore = 18 (its spigot)
# straight = 30           # of the cable behind it
# cable = 8
# when = "first"          # plugged in before the housing goes down

# A service point of the vehicle, asked with and without the housing:
# [[service]]
# name = "spark plug 1"
# kind = "spark plug"
# part = "cylinder head"
# at = [0, 0, 0]
# axis = [0, 0, 1]        # towards the hand
# drive = "hexagon"       # or  head = "ISO 4762"  with  size = "M8"
# across_flats = 16
# diameter = 24           # and, or instead, a clear way to draw it out
# length = 90
"""


def write_project(folder: Path, output: Path | None, *, force: bool) -> Path:
    """Write a commented project file for the meshes in a folder.

    Parameters
    ----------
    folder : Path
        Searched with its sub-folders.
    output : Path or None
        The file to write; ``project.toml`` in the folder by default.
    force : bool
        Overwrite an existing file.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        No folder, no meshes in it, or the file exists.
    """
    if not folder.is_dir():
        raise InputError("this is not a folder", where=str(folder), remedy="give one with meshes")
    target = output or folder / "project.toml"
    if target.suffix.lower() in SUFFIXES:
        raise InputError(
            "a project file is not written under a mesh's name",
            where=str(target),
            remedy="end its name in .toml",
        )
    if target.exists() and not force:
        raise InputError("the file exists", where=str(target), remedy="add --force to overwrite it")
    files = sorted(path for path in folder.rglob("*") if path.suffix.lower() in SUFFIXES)
    if not files:
        raise InputError(
            "there are no mesh files in this folder",
            where=str(folder),
            remedy=f"geomcheck reads {', '.join(sorted(SUFFIXES))}",
        )
    _write(target, _text(files, folder, target))
    return target


def _write(target: Path, text: str) -> None:
    temporary = target.with_name(f".{target.name}.part")
    try:
        temporary.write_text(text, encoding="utf-8", newline="\n")
        temporary.replace(target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise InputError(f"cannot be written: {error.strerror}", where=str(target)) from error


def _text(files: list[Path], folder: Path, target: Path) -> str:
    names = _names(files, folder)
    housings = [file for file in files if "housing" in file.stem.lower()]
    housing = housings[0] if len(housings) == 1 else None
    title = target.resolve().parent.name or "project"
    lines = [_HEAD.format(name=target.name, title=_quoted(title))]
    if housing is None:
        lines.append("# Which file is the housing? Move its entry here, as [[part]].\n")
    else:
        lines.append(_part("[[part]]", names[housing], housing, target, 'role = "housing"'))
    lines.append(_VEHICLE.format())
    for file in files:
        if file is not housing:
            rest = 'class = "?"'
            lines.append(_part("[[vehicle.part]]", names[file], file, target, rest))
    lines.append(_TAIL_HEAD)
    for row in standards.starting_gaps():
        lines.append(f"{_quoted(row.kind)} = {row.gap:g}    # {row.source} ({row.status})\n")
    lines.append(_TAIL)
    return "".join(lines)


def _part(header: str, name: str, file: Path, target: Path, rest: str) -> str:
    relative = Path(os.path.relpath(file, target.resolve().parent)).as_posix()
    return f"\n{header}\nname = {_quoted(name)}\nfile = {_quoted(relative)}\n{rest}\n{_size(file)}"


def _size(file: Path) -> str:
    """The size line; an unreadable mesh gets a comment that says why."""
    try:
        mesh = read_mesh(file, 1.0)
    except MeshFileError as error:
        return f"# CANNOT BE READ: {error.what}\n"
    size = ", ".join(f"{x:.3f}" for x in mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0))
    return f"# size = [{size}]    # as read; once the unit is known, state it in mm\n"


def _names(files: list[Path], folder: Path) -> dict[Path, str]:
    """A name for each file: its stem, or its path in the folder where stems repeat."""
    stems = [file.stem for file in files]
    return {
        file: file.stem if stems.count(file.stem) == 1 else file.relative_to(folder).as_posix()
        for file in files
    }


def _quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0: backslash, quotation mark and controls are escaped)."""
    table = {ord("\\"): "\\\\", ord('"'): '\\"'}
    table |= {code: f"\\u{code:04x}" for code in (*range(32), 127)}
    return f'"{text.translate(table)}"'
