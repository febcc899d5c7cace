"""Vehicles against rooms: the worst verdict of each cell, the worst vehicle first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from geomcheck.finding import SEVERITY, Finding, Result, Verdict

#: Beginning of the codes of a room's checks, and the question they answer.
ROOMS = {
    "project": "can it be read",
    "part": "are the parts usable",
    "fit": "does it fit",
    "flow": "does it breathe",
    "fasten": "can it be put on",
    "cast": "can it be made",
}


@dataclass(frozen=True)
class Cell:
    """One vehicle's answers of one room.

    Parameters
    ----------
    worst : Verdict or None
        None where nothing was asked.
    open : int
        Findings that failed, could not be decided or could not be asked.
    asked : int
    """

    worst: Verdict | None
    open: int
    asked: int


@dataclass(frozen=True)
class Row:
    """One vehicle and its cells, in the order of the matrix' rooms."""

    vehicle: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Matrix:
    """All vehicles against all rooms that were asked anything.

    Parameters
    ----------
    rooms : tuple of str
        Keys of ``ROOMS``.
    rows : tuple of Row
        The worst vehicle first: the one whose worst verdict is worst, then the one with more of
        what is open.
    """

    rooms: tuple[str, ...]
    rows: tuple[Row, ...]


def matrix(result: Result) -> Matrix:
    """Lay out a result by vehicle and room."""
    rooms = tuple(
        room for room in ROOMS if any(_room(finding) == room for finding in result.findings)
    )
    rows = []
    for vehicle in result.vehicles:
        mine = [finding for finding in result.findings if finding.vehicle == vehicle]
        rows.append(Row(vehicle, tuple(_cells(mine, rooms))))
    return Matrix(rooms, tuple(sorted(rows, key=_rank)))


def _cells(findings: list[Finding], rooms: tuple[str, ...]) -> Iterator[Cell]:
    for room in rooms:
        verdicts = [finding.verdict for finding in findings if _room(finding) == room]
        worst = next((verdict for verdict in SEVERITY if verdict in verdicts), None)
        unsettled = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)
        yield Cell(worst, sum(verdict in unsettled for verdict in verdicts), len(verdicts))


def _room(finding: Finding) -> str:
    return finding.code.partition("-")[0]


def _rank(row: Row) -> tuple[int, int]:
    """Worst verdict first, then most open; equals keep the order of the project file."""
    worst = min(
        (SEVERITY.index(cell.worst) for cell in row.cells if cell.worst is not None),
        default=len(SEVERITY),
    )
    return worst, -sum(cell.open for cell in row.cells)
