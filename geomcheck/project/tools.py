"""The tools a project declares, as the checks use them."""

from __future__ import annotations

from collections.abc import Mapping

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.toolbox import FAMILIES, choose_tools
from geomcheck.fasten.tools import Bar, Row, Tool
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, ToolEntry
from geomcheck.project.fasteners import Rows
from geomcheck.project.lines import Key
from geomcheck.project.values import MILLIMETRES


def own_tools(assembly: Assembly) -> tuple[Tool, ...]:
    """Every ``[[tool]]`` of the project.

    Raises
    ------
    ProjectError
        An entry makes no tool; names the line.
    """
    found = []
    for key, entry in assembly.tools:
        try:
            found.append(_tool(entry))
        except InputError as error:
            assembly.refuse(key, error.what, error.remedy)
    return tuple(found)


def tools_for(
    assembly: Assembly, key: Key, entry: FastenerEntry, fastener: Fastener, own: tuple[Tool, ...]
) -> tuple[Tool, ...]:
    """The tools that may be used on a fastener.

    Raises
    ------
    ProjectError
        The entry names a tool that is not known or does not drive it, or nothing does.
    """
    try:
        return choose_tools(fastener.screw, entry.tools, own)
    except InputError as error:
        field = "tools" if entry.tools else "head"
        assembly.refuse((*key, field), error.what, error.remedy)


def _tool(entry: ToolEntry) -> Tool:
    scale = MILLIMETRES[entry.unit]

    def rows(declared: Rows) -> tuple[Row, ...]:
        return tuple((a * scale, b * scale, d * scale) for a, b, d in declared)

    bars = tuple(Bar(*(value * scale for value in row)) for row in entry.handle)
    return Tool(
        entry.name,
        entry.kind,
        entry.drive,
        entry.across_flats * scale,
        rows(entry.profile),
        "as declared",
        bars=bars,
        arc=entry.arc if bars else 0.0,
        tilt=entry.tilt,
        pivot=entry.pivot * scale,
        base=rows(entry.base),
        aside=entry.aside * scale,
    )


def check_families(
    assembly: Assembly,
    code: str,
    tables: Mapping[str, Mapping[str, float]],
    own: tuple[Tool, ...],
) -> None:
    """Refuse a figure for a family of tools that does not exist.

    Parameters
    ----------
    assembly : Assembly
    code : str
        The check whose settings they are.
    tables : mapping of settings to figures by family
    own : tuple of Tool

    Raises
    ------
    ProjectError
        Names the line.
    """
    families = dict.fromkeys((*FAMILIES, *(tool.family for tool in own)))
    for field, given in tables.items():
        for name in given:
            if name not in families:
                assembly.refuse(
                    ("check", code, field, name),
                    f'there is no family of tools "{name}"',
                    f"Known families: {', '.join(families)}",
                )
