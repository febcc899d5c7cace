"""What the page says of each finding and each part, as plain text ready to be escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geomcheck.finding import Finding, Quantity, Result, Verdict
from geomcheck.project.assembly import Assembly
from geomcheck.reports import words

#: Verdicts that need somebody's attention.
OPEN = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)
_QUIET = (Verdict.PASS, Verdict.NOT_APPLICABLE)
#: Details that are drawn, or too long to read.
_DRAWN = frozenset(
    {"curve", "path", "outlines", "tool", "seat", "extent", "triangles", "maps", "bands", "air"}
)
#: Titles of tables whose heads do not say it all.
_TITLES = {
    "shares": "Shares of the loss, kPa; from and to in mm along the path",
    "blades": "Blades; angle in degrees off wide open, shares of the bore seen along it",
}
_MOST_ROWS = 16
_LONGEST_LIST = 6


@dataclass(frozen=True)
class Grid:
    """A table of text."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int = 0


@dataclass(frozen=True)
class Card:
    """One finding as the page shows it."""

    anchor: str
    finding: Finding
    symbol: str
    word: str
    style: str
    measured: str
    required: str
    asked: str
    facts: tuple[tuple[str, str], ...]
    grids: tuple[Grid, ...]
    attention: bool

    @property
    def value(self) -> str:
        """The measured value without its interval."""
        return self.measured.partition(" (")[0]

    @property
    def interval(self) -> str:
        """The interval in brackets; empty where it is a point."""
        _, bracket, rest = self.measured.partition(" (")
        return f"({rest}" if bracket else ""

    @property
    def identity(self) -> int:
        """Key of the finding's picture and curve."""
        return id(self.finding)


@dataclass(frozen=True)
class PartRow:
    """One part in the list of parts."""

    name: str
    file: str
    role: str
    mesh: str
    triangles: str
    size: str
    defects: tuple[str, ...]


@dataclass(frozen=True)
class VehicleView:
    """One vehicle: its findings, worst first, and its parts."""

    anchor: str
    name: str
    sentence: str
    style: str
    symbol: str
    cards: tuple[Card, ...]
    parts: tuple[PartRow, ...]

    @property
    def open(self) -> tuple[Card, ...]:
        """Everything that is neither passed nor without application."""
        return tuple(card for card in self.cards if card.finding.verdict not in _QUIET)

    @property
    def quiet(self) -> tuple[Card, ...]:
        """The rest: passes, and remarks that decide nothing."""
        return tuple(card for card in self.cards if card.finding.verdict in _QUIET)

    @property
    def remarks(self) -> tuple[Card, ...]:
        """Findings that decide nothing."""
        return tuple(c for c in self.cards if c.finding.verdict is Verdict.NOT_APPLICABLE)


def views(result: Result, assemblies: Mapping[str, Assembly]) -> list[VehicleView]:
    """Everything the page shows of each vehicle, in the order of the result."""
    found = []
    for number, name in enumerate(result.vehicles, 1):
        mine = [finding for finding in result.findings if finding.vehicle == name]
        cards = tuple(_card(finding, f"v{number}-{k}") for k, finding in enumerate(mine, 1))
        worst = mine[0].verdict if mine else Verdict.NOT_APPLICABLE
        found.append(
            VehicleView(
                anchor=f"v{number}",
                name=name,
                sentence=words.sentence_of_counts(mine),
                style=style_of(worst),
                symbol=words.verdict_symbol(worst),
                cards=cards,
                parts=_parts(result, assemblies.get(name), name),
            )
        )
    return found


def style_of(verdict: Verdict) -> str:
    """Class name of a verdict in the style sheet."""
    return verdict.value.replace(" ", "-")


def margin(finding: Finding) -> float | None:
    """Share of the limit by which a finding keeps it at worst; None where it has no numbers.

    A limit of 0 has no shares: the room is counted in tens of the unit then.
    """
    quantity, requirement = finding.quantity, finding.requirement
    if quantity is None or requirement is None:
        return None
    room = (
        quantity.low - requirement.limit
        if requirement.sense == "at least"
        else requirement.limit - quantity.high
    )
    return room / (abs(requirement.limit) or 10.0)


def _card(finding: Finding, anchor: str) -> Card:
    quantity, requirement = finding.quantity, finding.requirement
    asked = ""
    if finding.entry is not None:
        line = f", line {finding.entry.line}" if finding.entry.line is not None else ""
        asked = f"{finding.entry.file}{line}: {finding.entry.entry}"
    return Card(
        anchor=anchor,
        finding=finding,
        symbol=words.verdict_symbol(finding.verdict),
        word=words.verdict_word(finding.verdict),
        style=style_of(finding.verdict),
        measured="" if quantity is None else words.format_quantity(quantity, requirement),
        required="" if requirement is None else words.format_requirement(requirement),
        asked=asked,
        facts=_facts(finding.details),
        grids=tuple(_grids(finding)),
        attention=finding.verdict in OPEN,
    )


def _grids(finding: Finding) -> list[Grid]:
    grids = []
    if finding.witnesses:
        rows = tuple(
            (w.label, w.part, *(words.format_number(float(x), 3) for x in w.point))
            for w in finding.witnesses
        )
        heads = ("place", "part", "x, mm", "y, mm", "z, mm")
        grids.append(Grid("Witness points, housing frame", heads, rows[:_MOST_ROWS]))
    if finding.quantity is not None and finding.quantity.terms:
        grids.append(_terms(finding.quantity))
    for key, value in finding.details.items():
        if key not in _DRAWN and _is_table(value):
            grids.append(_table(key, value))
    return grids


def _terms(quantity: Quantity) -> Grid:
    unit = words.format_unit(quantity.unit)
    unit = f", {unit}" if unit else ""
    decimals = words.DECIMALS.get(quantity.unit, 3) + 1
    rows = tuple(
        (
            term.name,
            words.format_number(term.minus, decimals),
            words.format_number(term.plus, decimals),
            term.source,
        )
        for term in quantity.terms
    )
    heads = ("cause", f"lower by{unit}", f"higher by{unit}", "from")
    return Grid(f"What the interval of the {quantity.name} is made of", heads, rows)


def _is_table(value: Any) -> bool:
    return (
        isinstance(value, Sequence)
        and not isinstance(value, str)
        and len(value) > 0
        and all(isinstance(row, Mapping) for row in value)
    )


def _table(key: str, value: Sequence[Mapping[str, Any]]) -> Grid:
    """A list of mappings as a table; columns in the order they first occur."""
    heads = list(dict.fromkeys(name for row in value for name in row))
    shown = [head for head in heads if any(_plain(row.get(head)) for row in value)]
    rows = tuple(tuple(_plain(row.get(head)) for head in shown) for row in value[:_MOST_ROWS])
    names = tuple(_words(head) for head in shown)
    title = _TITLES.get(key) or _words(key).capitalize()
    return Grid(title, names, rows, max(0, len(value) - _MOST_ROWS))


def _facts(details: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Details that fit on a line."""
    facts = []
    for key, value in details.items():
        if key in _DRAWN or _is_table(value):
            continue
        if isinstance(value, Mapping):
            text = ", ".join(
                f"{_words(str(name))} {plain}"
                for name, inner in value.items()
                if (plain := _plain(inner))
            )
        else:
            text = _plain(value)
        if text:
            facts.append((_words(key), text))
    return tuple(facts)


def _plain(value: Any) -> str:
    """A JSON value in words; empty for nothing, and for what is too long to read."""
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}".replace(",", " ")
    if isinstance(value, float):
        return words.format_number(value, 3)
    if isinstance(value, str):
        return value
    if isinstance(value, Sequence):
        if len(value) > _LONGEST_LIST and not all(isinstance(v, str) for v in value):
            return ""
        texts = [_plain(inner) for inner in value]
        joined = ("; " if all(isinstance(v, str) for v in value) else ", ").join(texts)
        return joined if all(isinstance(v, str) for v in value) else f"({joined})"
    return ""


def _words(key: str) -> str:
    return key.replace("_", " ")


def _parts(result: Result, assembly: Assembly | None, vehicle: str) -> tuple[PartRow, ...]:
    rows = []
    for part in result.parts.get(vehicle, ()):
        placed = assembly.parts.get(part.name) if assembly is not None else None
        rows.append(
            PartRow(
                name=part.name,
                file=part.file,
                role=f"{part.role}, {part.kind}" if part.kind else part.role,
                mesh=part.mesh,
                triangles=f"{part.triangles:,}".replace(",", " "),
                size=" × ".join(words.format_number(x, 1) for x in part.size),
                defects=placed.soundness.defects if placed is not None else (),
            )
        )
    return tuple(rows)
