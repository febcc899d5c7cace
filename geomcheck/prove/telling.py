"""What is told of a fault that was not caught, in words and as an entry to add."""

from __future__ import annotations

from dataclasses import dataclass

from geomcheck.project.assembly import Assembly
from geomcheck.project.lines import Key
from geomcheck.prove.marks import Mark
from geomcheck.prove.plant import Bench
from geomcheck.prove.trial import Trial, towards

#: Unit of what a baseline may hold, and the change of it that is to count as none.
UNITS = {"fit-gap": "mm", "flow-area": "mm2"}
NOISE = {"mm": 0.02, "mm2": 2.0}
BASELINE = """\
[baseline]   # then: geomcheck accept
file = "baseline.json"
checks = ["fit-gap", "flow-area"]
noise = { mm = 0.02, mm2 = 2.0 }"""


@dataclass(frozen=True)
class Advice:
    """What to tell of a fault that was not caught.

    Parameters
    ----------
    why : str
        Empty where it was caught.
    add : str
        Text for the project file; empty where no entry would help.
    under : str
        The entry it belongs under; empty for a table of its own, at the file's end.
    line : int or None
        Where that entry begins.
    replaces : tuple of str
        Keys there that it takes the place of.
    kept : bool
        The project file asks about what the fault alters, and all it requires is still kept.
    """

    why: str = ""
    add: str = ""
    under: str = ""
    line: int | None = None
    replaces: tuple[str, ...] = ()
    kept: bool = False


def under(assembly: Assembly, key: Key, mark: Mark) -> Advice:
    """Lines for an entry, with where it stands."""
    ref = assembly.entry(key)
    there = assembly.lines.value(key)
    replaces = tuple(name for name in mark.replaces if name in there)
    return Advice(mark.why, mark.add, ref.entry, ref.line, replaces)


def told(trial: Trial) -> str:
    """What moved and is still as required: of what got worse, that with the least to spare."""
    one = next(trial.worse, None) or (trial.moved[0] if trial.moved else None)
    if one is None:
        return "no measured value changes by it"
    old = one.old.quantity if one.old else None
    new = one.new.quantity if one.new else None
    need = one.new.requirement if one.new else None
    if old is None or new is None:
        return "what changes is still as required"
    text = f"{one.finding.code} {one.finding.subject}: {new.value:.2f} {new.unit}, was "
    text += f"{old.value:.2f}"
    return text + (
        f"; {need.sense} {need.limit:g} is required" if need else "; nothing is required"
    )


def inside(trial: Trial) -> Advice:
    """What to tell where all that is asked about it is still as required."""
    return Advice(told(trial), kept=bool(trial.moved))


def baseline(bench: Bench, trial: Trial, code: str, why: str) -> Advice:
    """A baseline that holds what moved, where it moved by more than the noise it is told."""
    unit = UNITS[code]
    if not any(towards(one) > NOISE[unit] for one in trial.worse if one.finding.code == code):
        return Advice(why, kept=True)
    entry = bench.project.document.baseline
    if entry is None:
        # One table for all that a baseline is good for: there can be no second.
        return Advice(why, BASELINE, kept=True)
    if code in entry.checks:
        return Advice(f"{why}; less than the baseline's noise", kept=True)
    checks = ", ".join(f'"{one}"' for one in (*entry.checks, code))
    noises = entry.noise | {unit: entry.noise.get(unit, NOISE[unit])}
    rows = ", ".join(f"{name} = {value:g}" for name, value in noises.items())
    text = f"checks = [{checks}]   # then: geomcheck accept\nnoise = {{ {rows} }}"
    ref = bench.project.lines.entry(("baseline",))
    return Advice(why, text, ref.entry, ref.line, ("checks", "noise"), kept=True)
