"""A proof as text for the terminal and as JSON."""

from __future__ import annotations

import json
from typing import Any, TextIO

from geomcheck.compare.changes import Change
from geomcheck.prove.faults import TITLES
from geomcheck.prove.plant import Outcome, Trial
from geomcheck.prove.prove import Proof
from geomcheck.wording import capital

_SIGN = {Outcome.MISSED: "▼", Outcome.HIDDEN: "◆", Outcome.CAUGHT: "●"}


def show_proof(proof: Proof, out: TextIO) -> None:
    """Write a proof: each fault with what became of it, then what to add to the project file."""
    kind = None
    for trial in sorted(proof.trials, key=lambda one: list(TITLES).index(one.fault.kind)):
        if trial.fault.kind is not kind:
            kind = trial.fault.kind
            out.write(f"{TITLES[kind]} ({kind})\n")
        out.write(f"  {_SIGN[trial.outcome]} {trial.outcome}: {trial.fault.words}\n")
        out.write(f"      {said(trial, proof.advised[proof.trials.index(trial)][0])}\n")
    entries = _entries(proof)
    if entries:
        out.write("\nWhat the project file does not ask, and entries that ask it; ")
        out.write("add them and prove again:\n")
        for entry, words in entries.items():
            out.write("\n")
            for line in words:
                out.write(f"  for: {line}\n")
            out.write("".join(f"    {line}\n" for line in entry.splitlines()))
    out.write(f"\n{_summary(proof)}\n")


def said(trial: Trial, why: str) -> str:
    """What caught a fault, or why nothing did."""
    if trial.stopped:
        return f"the run stops: {trial.stopped}"
    if trial.by is not None:
        return _change(trial.by)
    text = f"{capital(why)}."
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
        if old is not None and old.quantity is not None:
            text += f", was {old.quantity.value:.2f}"
    return text


def _entries(proof: Proof) -> dict[str, list[str]]:
    """Entries to add, each once, with the faults they are for."""
    found: dict[str, list[str]] = {}
    for trial, (_, entry) in zip(proof.trials, proof.advised, strict=True):
        if entry:
            found.setdefault(entry, []).append(trial.fault.words)
    return found


def _summary(proof: Proof) -> str:
    counts = {outcome: proof.of(outcome) for outcome in Outcome}
    seconds = sum(trial.seconds for trial in proof.trials)
    text = (
        f"{len(proof.trials)} faults planted in memory in {seconds:.0f} s: "
        f"{counts[Outcome.CAUGHT]} caught, {counts[Outcome.MISSED]} not caught, "
        f"{counts[Outcome.HIDDEN]} hidden. "
    )
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
        "schema_version": 1,
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
                "said": said(trial, why),
                "check": trial.by.finding.code if trial.by is not None else None,
                "add": entry or None,
            }
            for trial, (why, entry) in zip(proof.trials, proof.advised, strict=True)
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"
