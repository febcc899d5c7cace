"""Numbers and verdicts as words: the one place every report takes them from."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal

from geomcheck.finding import SEVERITY, Finding, Point, Quantity, Requirement, Verdict

#: Decimals shown for a unit; further ones appear only where they decide.
DECIMALS: dict[str, int] = {"mm": 2, "mm2": 1, "mm3": 0, "deg": 1, "%": 1}
_MOST_DECIMALS = 6
_UNITS: dict[str, str] = {"mm2": "mm²", "mm3": "mm³", "deg": "°", "Mach": ""}
#: Units written straight after the number; a Mach number has none.
_CLOSE = ("°", "%", "")
#: A unit in running text, after its number.
_IN_TEXT = re.compile(r"(?<=\d )mm[23]\b")

_SYMBOLS: dict[Verdict, tuple[str, str]] = {
    Verdict.PASS: ("●", "="),
    Verdict.FAIL: ("▼", "X"),
    Verdict.UNDECIDED: ("◐", "?"),
    Verdict.WAIVED: ("◇", "~"),
    Verdict.ERROR: ("■", "!"),
    Verdict.NOT_APPLICABLE: ("–", "-"),
}

_MEANING: dict[int, str] = {
    0: "every question was decided, and passed or was waived",
    1: "at least one requirement is not met",
    2: "the project file or an input cannot be used",
    3: "nothing was checked, or no more than whether the meshes are usable",
    4: "at least one question could not be decided, and counts as not passed",
}

_COUNTED: tuple[tuple[Verdict, str], ...] = (
    (Verdict.ERROR, "could not be asked (error)"),
    (Verdict.FAIL, "failed"),
    (Verdict.UNDECIDED, "could not be decided"),
    (Verdict.WAIVED, "waived"),
    (Verdict.PASS, "passed"),
    (Verdict.NOT_APPLICABLE, "not applicable"),
)


def verdict_symbol(verdict: Verdict, *, ascii_only: bool = False) -> str:
    """One character for a verdict; different in shape, not only in colour."""
    return _SYMBOLS[verdict][1 if ascii_only else 0]


def verdict_word(verdict: Verdict) -> str:
    """Name a verdict; the word always stands beside the symbol."""
    return verdict.value


def format_unit(unit: str, *, ascii_only: bool = False) -> str:
    """Write a unit: ``mm²`` for ``mm2``, or as it is where only ASCII can be shown."""
    return unit if ascii_only and unit != "Mach" else _UNITS.get(unit, unit)


def format_text(text: str, *, ascii_only: bool = False) -> str:
    """Write the units in a message as beside its numbers.

    Messages are plain ASCII but for names, so that data and every terminal can hold them.

    Examples
    --------
    >>> format_text("overlap of 240 mm3, part mm2")
    'overlap of 240 mm³, part mm2'
    """
    return text if ascii_only else _IN_TEXT.sub(lambda unit: _UNITS[unit[0]], text)


def format_number(value: float, decimals: int, rounding: str = ROUND_HALF_EVEN) -> str:
    """Write a number with fixed decimals; never ``-0.00``.

    Rounding starts from nine decimals, so that binary noise (9.989999999999998) does not push a
    bound one step out.
    """
    exact = Decimal(repr(round(float(value), 9)))
    # 320 digits hold every float; the usual 28 do not.
    last = Decimal(1).scaleb(-decimals)
    rounded = exact.quantize(last, rounding=rounding, context=Context(prec=320))
    text = f"{rounded:f}"
    return text.lstrip("-") if rounded == 0 else text


def format_quantity(
    quantity: Quantity, requirement: Requirement | None = None, *, ascii_only: bool = False
) -> str:
    """Write a measured value with its interval: ``6.03 mm (5.98 .. 6.07)``.

    The bounds are rounded outwards. With a requirement, decimals are added until no printed
    number looks equal to the limit unless it is, so that 9.9996 against 10 does not print 10.00.

    Examples
    --------
    >>> format_quantity(Quantity("gap", 6.0312, "mm", 5.9841, 6.0655))
    '6.03 mm (5.98 .. 6.07)'
    >>> format_quantity(Quantity("gap", 9.9996, "mm", 9.9993, 9.9998),
    ...                 Requirement("at least", 10.0, "mm"))
    '9.9996 mm (9.9993 .. 9.9998)'
    """
    decimals = DECIMALS.get(quantity.unit, 3)
    if requirement is not None and requirement.unit == quantity.unit:
        while decimals < _MOST_DECIMALS and _hides(quantity, requirement.limit, decimals):
            decimals += 1
    value = format_number(quantity.value, decimals)
    unit = format_unit(quantity.unit, ascii_only=ascii_only)
    space = "" if unit in _CLOSE else " "
    if quantity.low == quantity.high:
        return f"{value}{space}{unit}"
    low = format_number(quantity.low, decimals, ROUND_FLOOR)
    high = format_number(quantity.high, decimals, ROUND_CEILING)
    return f"{value}{space}{unit} ({low} .. {high})"


def _hides(quantity: Quantity, limit: float, decimals: int) -> bool:
    """Whether rounding puts a number on the limit, or across it, that is not there."""
    shown = (
        (quantity.value, format_number(quantity.value, decimals)),
        (quantity.low, format_number(quantity.low, decimals, ROUND_FLOOR)),
        (quantity.high, format_number(quantity.high, decimals, ROUND_CEILING)),
    )
    for true, text in shown:
        true_side = _side(float(true), limit)
        text_side = _side(float(text), limit)
        if true_side != text_side:
            return True
    return False


def _side(value: float, limit: float) -> int:
    """1 above the limit, -1 below, 0 on it."""
    return 0 if abs(value - limit) <= 1e-9 else 1 if value > limit else -1


def format_requirement(requirement: Requirement, *, ascii_only: bool = False) -> str:
    """Write a requirement: ``at least 10.00 mm``."""
    decimals = DECIMALS.get(requirement.unit, 3)
    while decimals < _MOST_DECIMALS and (
        abs(float(format_number(requirement.limit, decimals)) - requirement.limit) > 1e-9
    ):
        decimals += 1
    unit = format_unit(requirement.unit, ascii_only=ascii_only)
    space = "" if unit in _CLOSE else " "
    return f"{requirement.sense} {format_number(requirement.limit, decimals)}{space}{unit}"


def format_point(point: Point | Sequence[float]) -> str:
    """Write a point in mm: ``(12.00, -3.50, 104.25)``."""
    return "(" + ", ".join(format_number(float(x), DECIMALS["mm"]) for x in point) + ")"


def plural(count: int, noun: str, many: str = "") -> str:
    """``1 question``, ``2 questions``."""
    return f"{count} {noun if count == 1 else many or noun + 's'}"


def count_verdicts(findings: Iterable[Finding]) -> dict[Verdict, int]:
    """How often each verdict occurs, worst first; verdicts that do not occur are left out."""
    found = [finding.verdict for finding in findings]
    return {verdict: found.count(verdict) for verdict in SEVERITY if verdict in found}


def sentence_of_counts(findings: Iterable[Finding]) -> str:
    """Sum up a run in one sentence.

    Examples
    --------
    >>> sentence_of_counts([])
    'No questions were asked.'
    """
    counts = count_verdicts(findings)
    if not counts:
        return "No questions were asked."
    parts = [f"{counts[verdict]} {word}" for verdict, word in _COUNTED if verdict in counts]
    return f"{plural(sum(counts.values()), 'question')}: {', '.join(parts)}."


def exit_meaning(code: int) -> str:
    """Say what an exit code means, in a sentence without its full stop."""
    return _MEANING[code]
