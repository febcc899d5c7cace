"""Assemblies made from meshes in memory, for the tests of checks.

Ask for the fixtures by name: ``part`` makes one placed part of a Trimesh, ``assembly`` puts parts
and entries together as one vehicle, ``settings`` validates a check's table as the project would.

    def test_panel_too_near(part, assembly):
        car = assembly(
            part("casting", box, role="housing"),
            part("bonnet", sheet, kind="body panel"),
            mates=[{"name": "inlet", "parts": ["casting", "duct"], ...}],
            check={"fit-gap": {"required": {"body panel": 10}}},
        )

Nothing is read from or written to disk; entries get real line numbers all the same, since the
project's text is written out and read back by the project's own ``LineMap``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.mesh.part import Part, PartSet
from geomcheck.mesh.sagitta import Sagitta, estimate
from geomcheck.mesh.soundness import judge
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import (
    ConnectorEntry,
    DuctEntry,
    FastenerEntry,
    MateEntry,
    MovementEntry,
    OrderEntry,
    PartEntry,
    PatternEntry,
    PortJointEntry,
    ServiceEntry,
    StateEntry,
    ToolEntry,
)
from geomcheck.project.lines import LineMap


def _part(
    name: str,
    mesh: trimesh.Trimesh,
    *,
    role: str = "neighbour",
    kind: str = "",
    sagitta: float | None = None,
) -> Part:
    """One part in place; its class is judged and its sagitta estimated as when read from a file.

    ``sagitta`` declares the chord error, mm. Equal corners should be merged already, as the
    reader does; a Trimesh made with ``process=False`` from separate triangles is soup.
    """
    vertices = np.ascontiguousarray(mesh.vertices, dtype=np.float64)
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int64)
    soundness = judge(vertices, faces)
    bound = (
        estimate(vertices, faces, soundness)
        if sagitta is None
        else Sagitta.declared(sagitta, len(faces))
    )
    file = Path("meshes") / f"{name}.stl"
    return Part(name, role, kind, file, vertices, faces, soundness, bound)  # type: ignore[arg-type]


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_toml(str(k))} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Sequence | np.ndarray):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(float(value)) if isinstance(value, float | np.floating) else repr(int(value))


def _table(header: str, values: Mapping[str, Any]) -> list[str]:
    return [header, *(f"{_toml(key)} = {_toml(value)}" for key, value in values.items()), ""]


def _assembly(
    *parts: Part,
    vehicle: str = "Test van",
    others: Sequence[str] = (),
    entries: Mapping[str, Mapping[str, Any]] | None = None,
    mates: Sequence[Mapping[str, Any]] = (),
    ducts: Sequence[Mapping[str, Any]] = (),
    fasteners: Sequence[Mapping[str, Any]] = (),
    tools: Sequence[Mapping[str, Any]] = (),
    movements: Sequence[Mapping[str, Any]] = (),
    states: Sequence[Mapping[str, Any]] = (),
    patterns: Sequence[Mapping[str, Any]] = (),
    port_joints: Sequence[Mapping[str, Any]] = (),
    connectors: Sequence[Mapping[str, Any]] = (),
    services: Sequence[Mapping[str, Any]] = (),
    order: Mapping[str, Any] | None = None,
    check: Mapping[str, Mapping[str, Any]] | None = None,
) -> Assembly:
    """One vehicle with these parts.

    ``entries`` adds keys to a part's entry by part name, such as
    ``{"bonnet": {"open_for_tools": True}}``. ``mates``, ``ducts``, ``fasteners``, ``tools`` and
    ``movements`` are written as in the project file. ``others`` names the project's other
    vehicles. ``check`` only fills the text that line numbers come from; the settings themselves
    are passed to ``run``.
    """
    extra = entries or {}
    rows: list[str] = ["format = 1", 'name = "test"', 'unit = "mm"', ""]
    ours = [part for part in parts if part.role != "neighbour"]
    theirs = [part for part in parts if part.role == "neighbour"]
    raw = {
        part.name: {"name": part.name, "file": str(part.file), "role": part.role}
        | ({"class": part.kind} if part.kind else {})
        | dict(extra.get(part.name, {}))
        for part in parts
    }
    for part in ours:
        rows += _table("[[part]]", raw[part.name])
    for header, group in (
        ("mate", mates),
        ("duct", ducts),
        ("fastener", fasteners),
        ("tool", tools),
        ("movement", movements),
        ("state", states),
        ("pattern", patterns),
        ("port_joint", port_joints),
        ("connector", connectors),
        ("service", services),
    ):
        for entry in group:
            rows += _table(f"[[{header}]]", entry)
    if order is not None:
        rows += _table("[order]", order)
    for code, table in (check or {}).items():
        rows += _table(f"[check.{code}]", table)
    rows += _table("[[vehicle]]", {"name": vehicle})
    for part in theirs:
        rows += _table("[[vehicle.part]]", raw[part.name])
    text = "\n".join(rows)
    data = tomllib.loads(text)
    keys = {part.name: ("part", n) for n, part in enumerate(ours)}
    keys |= {part.name: ("vehicle", 0, "part", n) for n, part in enumerate(theirs)}

    def numbered(name: str, kind: Any) -> tuple[Any, ...]:
        return tuple(
            ((name, n), kind.model_validate(entry)) for n, entry in enumerate(data.get(name, []))
        )

    return Assembly(
        vehicle=vehicle,
        parts=PartSet(parts),
        mates=numbered("mate", MateEntry),
        ducts=numbered("duct", DuctEntry),
        fasteners=numbered("fastener", FastenerEntry),
        tools=numbered("tool", ToolEntry),
        part_entries={name: PartEntry.model_validate(entry) for name, entry in raw.items()},
        part_keys=keys,
        lines=LineMap(Path("project.toml"), text, data),
        vehicles=(vehicle, *others),
        movements=numbered("movement", MovementEntry),
        states=numbered("state", StateEntry),
        patterns=numbered("pattern", PatternEntry),
        port_joints=numbered("port_joint", PortJointEntry),
        connectors=numbered("connector", ConnectorEntry),
        services=numbered("service", ServiceEntry),
        order=None if order is None else OrderEntry.model_validate(data["order"]),
    )


@pytest.fixture
def part() -> Callable[..., Part]:
    """``part(name, mesh, role="neighbour", kind="", sagitta=None)``; see ``_part``."""
    return _part


@pytest.fixture
def assembly() -> Callable[..., Assembly]:
    """``assembly(*parts, vehicle=..., entries=..., mates=..., ...)``; see ``_assembly``."""
    return _assembly


@pytest.fixture
def open_sheet() -> Callable[..., trimesh.Trimesh]:
    """``open_sheet(width, depth, z=0, cells=8)``: a flat open surface, facing +z."""

    def make(width: float, depth: float, z: float = 0.0, cells: int = 8) -> trimesh.Trimesh:
        x = np.linspace(-width / 2, width / 2, cells + 1)
        y = np.linspace(-depth / 2, depth / 2, cells + 1)
        grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
        vertices = np.column_stack([grid, np.full(len(grid), z)])
        i, j = np.meshgrid(np.arange(cells), np.arange(cells), indexing="ij")
        a = (i * (cells + 1) + j).ravel()
        b, c, d = a + cells + 1, a + cells + 2, a + 1
        faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
        return trimesh.Trimesh(vertices, faces, process=False)

    return make


@pytest.fixture
def torn() -> Callable[..., trimesh.Trimesh]:
    """``torn(mesh, triangles)``: the mesh without these triangles, so that it is open."""

    def make(mesh: trimesh.Trimesh, triangles: Sequence[int]) -> trimesh.Trimesh:
        keep = np.ones(len(mesh.faces), dtype=bool)
        keep[list(triangles)] = False
        return trimesh.Trimesh(mesh.vertices, mesh.faces[keep], process=False)

    return make
