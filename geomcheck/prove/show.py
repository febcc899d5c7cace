"""A proof as text for the terminal and as JSON."""

from __future__ import annotations

import json
from typing import Any, TextIO

from geomcheck.compare.changes import Change
from geomcheck.prove.prove import Proof
from geomcheck.prove.telling import Advice
from geomcheck.prove.trial import Outcome, Trial
from geomcheck.wording import capital

#: Headings in the order in which they are told, worst first.
_OPEN = "Gets through: the project file does not ask"
_KEPT = "Gets through: asked, and all that is required is still kept"
_HEADINGS = {
    _OPEN: "▼",
    _KEPT: "▽",
    "Cannot show: hidden by what is open already": "◆",
    "Caught": "●",
}


def show_proof(proof: Proof, out: TextIO) -> None:
    """Write a proof: what gets through, worst first, what is caught, what to add to the file."""
    entries = _entries(proof)
    numbers = {key: number for number, key in enumerate(entries, 1)}
    for heading, sign in _HEADINGS.items():
        rows = [row for row in _rows(proof) if _heading(*row) == heading]
        if rows:
            out.write(f"{heading}, {len(rows)} of {len(proof.trials)}\n")
        for trial, told in rows:
            out.write(f"  {sign} {trial.fault.words}   [{trial.fault.kind}, {_time(trial)}]\n")
            out.write(f"      {said(trial, told)}\n")
            if told.add:
                out.write(f"      Add entry {numbers[_key(told)]}.\n")
        if rows:
            out.write("\n")
    if entries:
        out.write("Entries that catch them; add them, check, and prove again:\n\n")
        for key, number in numbers.items():
            told = entries[key]
            out.write(f"  {number}. {_place(told)}\n")
            out.write("".join(f"     {line}\n" for line in told.add.splitlines()))
            out.write("\n")
    out.write(f"{_summary(proof)}\n")


def _rows(proof: Proof) -> list[tuple[Trial, Advice]]:
    return list(zip(proof.trials, proof.advised, strict=True))


def _heading(trial: Trial, told: Advice) -> str:
    _, _, hidden, caught = _HEADINGS
    if trial.outcome is Outcome.CAUGHT:
        return caught
    if trial.outcome is Outcome.HIDDEN:
        return hidden
    return _KEPT if told.kept else _OPEN


def _time(trial: Trial) -> str:
    return f"{trial.seconds:.1f} s"


def said(trial: Trial, told: Advice) -> str:
    """What caught a fault, or why nothing did."""
    if trial.stopped:
        return f"The run stops: {trial.stopped}"
    if trial.by is not None:
        return _change(trial.by)
    text = f"{capital(told.why)}."
    if trial.unnamed is not None:
        text += f" Another finding does not name it: {_change(trial.unnamed)}"
    return text


def _change(change: Change) -> str:
    one = change.finding
    text = f"{one.code}, {one.vehicle}, {one.subject}: {one.verdict}"
    old = change.old
    if old is not None:
        text += f", was {old.verdict}" + (" and got worse" if old.verdict is one.verdict else "")
    if one.quantity is not None:
        text += f"; {one.quantity.name} {one.quantity.value:.2f} {one.quantity.unit}"
        if old is not None and old.quantity is not None and old.quantity.name == one.quantity.name:
            text += f", was {old.quantity.value:.2f}"
    return text


def _key(told: Advice) -> tuple[str, str]:
    return told.under, told.add


def _entries(proof: Proof) -> dict[tuple[str, str], Advice]:
    """Entries to add, each once."""
    return {_key(told): told for told in proof.advised if told.add}


def _place(told: Advice) -> str:
    if not told.under:
        return "a table of its own:"
    text = f"under {told.under}, line {told.line}"
    return text + (f", in place of its {' and '.join(told.replaces)}:" if told.replaces else ":")


def _summary(proof: Proof) -> str:
    counts = {outcome: proof.of(outcome) for outcome in Outcome}
    kept = sum(told.kept for told in proof.advised)
    text = (
        f"{len(proof.trials)} faults planted in memory, one at a time, in {proof.seconds:.0f} s: "
        f"{counts[Outcome.CAUGHT]} caught, {counts[Outcome.MISSED]} not caught"
    )
    if kept:
        text += f" ({kept} with all that is required still kept)"
    text += f", {counts[Outcome.HIDDEN]} hidden. "
    tail = {
        0: "Exit code 0: the gate catches them all.",
        1: "Exit code 1: the gate lets some through.",
        3: "Exit code 3: there was nothing to plant.",
        4: "Exit code 4: what is open already hides some; mend that and try again.",
    }
    return text + tail[proof.exit_code]


def proof_text(proof: Proof) -> str:
    """The proof as indented JSON text, ending in a line feed; no times, so the same bytes."""
    data: dict[str, Any] = {
        "schema": "geomcheck proof",
        "schema_version": 2,
        "project": proof.project,
        "vehicles": list(proof.vehicles),
        "base": proof.base,
        "exit_code": proof.exit_code,
        "counts": {str(outcome): proof.of(outcome) for outcome in Outcome},
        "faults": [
            {
                "kind": str(trial.fault.kind),
                "target": trial.fault.target,
                "part": trial.fault.part,
                "vehicles": list(trial.fault.vehicles),
                "fault": trial.fault.words,
                "outcome": str(trial.outcome),
                "requirements_kept": told.kept,
                "said": said(trial, told),
                "check": trial.by.finding.code if trial.by is not None else None,
                "add": _addition(told),
            }
            for trial, told in _rows(proof)
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _addition(told: Advice) -> dict[str, Any] | None:
    if not told.add:
        return None
    return {
        "text": told.add,
        "under": told.under or None,
        "line": told.line,
        "in_place_of": list(told.replaces),
    }
