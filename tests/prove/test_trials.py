"""How a trial is judged: who is named, what is recalled, what is shared between processes."""

import datetime
import importlib

import pytest

from geomcheck.compare.changes import Change
from geomcheck.compare.changes import Kind as ChangeKind
from geomcheck.errors import InputError
from geomcheck.finding import Finding, Quantity, Requirement, Verdict
from geomcheck.project.load import load
from geomcheck.prove import Kind, Outcome, prove
from geomcheck.prove.faults import Fault
from geomcheck.prove.plant import Bench, names
from geomcheck.prove.show import proof_text
from geomcheck.prove.stages import stages
from geomcheck.prove.trial import Trial, from_data, spare, to_data, towards


def fault(kind=Kind.SHIFTED, target="belt"):
    return Fault(kind, target, "words", ("hatch",), lambda it: it, "belt")


def finding(subject="housing / bonnet", parts=("housing", "bonnet"), **more):
    given = {"code": "fit-gap", "verdict": Verdict.FAIL, "vehicle": "hatch", "message": "m"}
    return Finding(**given | {"subject": subject, "parts": parts} | more)


@pytest.mark.parametrize(
    ("told", "named"),
    [
        (finding(), False),
        (finding("housing / belt", ("housing", "belt")), True),
        (finding("housing / belt tensioner", ("housing", "belt tensioner")), False),
        (finding('bolt "belt"', ()), True),
        (finding('bolt "belt 2"', ()), False),
        # A wrong reference is an error of an entry; its message quotes what is missing.
        (finding("mate 1", (), verdict=Verdict.ERROR, message='no part "belt"'), True),
        (finding("mate 1", (), verdict=Verdict.FAIL, message='no part "belt"'), False),
        (finding("mate 1", (), verdict=Verdict.ERROR, message='no part "belts"'), False),
    ],
)
def test_only_a_finding_that_names_it_counts(told, named):
    assert names(told, fault()) is named


def gap(value, verdict=Verdict.PASS):
    measured = Quantity("gap", value, "mm", value - 0.1, value + 0.1)
    need = Requirement("at least", 5.0, "mm", "class")
    return finding(verdict=verdict, quantity=measured, requirement=need)


def test_a_trial_passes_between_processes_as_it_is():
    change = Change(
        ChangeKind.UNCLEAR, gap(8.0), gap(7.9), Quantity("change of gap", -0.1, "mm", -0.3, 0.1)
    )
    for trial in (
        Trial(fault(), Outcome.CAUGHT, by=Change(ChangeKind.NEW, None, gap(1.0, Verdict.FAIL))),
        Trial(fault(), Outcome.MISSED, moved=(change,), seconds=0.5),
        Trial(fault(), Outcome.HIDDEN, hides=gap(4.0, Verdict.FAIL), unnamed=change),
    ):
        again = from_data(to_data(trial), trial.fault)
        assert to_data(again) == to_data(trial)
        assert (again.outcome, again.by, again.hides) == (trial.outcome, trial.by, trial.hides)
        assert [one.finding for one in again.moved] == [one.finding for one in trial.moved]
    assert towards(change) == pytest.approx(0.1)
    assert spare(gap(8.0)) == pytest.approx(2.9)


def test_every_check_is_asked_once_and_those_meant_for_it_first():
    codes = ("fit-gap", "fit-mate", "flow-area", "fasten-length", "fasten-holes", "part-sound")
    for kind in Kind:
        asked = [code for stage in stages(fault(kind), codes) for code in stage]
        assert len(asked) == len(set(asked))
        rest = {code for code in codes if fault(kind).entry and not code.startswith("fasten-")}
        assert set(asked) == set(codes) - rest
    first, *_ = stages(fault(Kind.DUCT), codes)
    assert first == ("flow-area",)


def test_what_is_recalled_is_what_would_be_asked(rig, monkeypatch):
    """With nothing recalled each fault has the same outcome, in the same words."""
    file = rig(more="\n[check.fasten-holes]\n")
    kinds = [kind for kind in Kind if kind is not Kind.GROWN]
    quick = prove(file, kinds=kinds, most=26)
    assert {trial.outcome for trial in quick.trials} >= {Outcome.CAUGHT, Outcome.MISSED}
    monkeypatch.setattr(Bench, "_altered", lambda _self, _fault: None)
    slow = prove(file, kinds=kinds, most=26)
    assert proof_text(quick) == proof_text(slow)


def test_two_processes_tell_the_same_as_one(rig, monkeypatch):
    kinds = [Kind.MIRRORED, Kind.BOLT_TILTED, Kind.UNIT, Kind.SHRUNK]
    alone = proof_text(prove(rig(), kinds=kinds, most=8))
    # The function stands in the package under the module's name.
    module = importlib.import_module("geomcheck.prove.prove")
    monkeypatch.setattr(module, "WORTH_SHARING", 0)
    monkeypatch.setattr(module, "usable", lambda: 2)
    assert proof_text(prove(rig(), kinds=kinds, most=8)) == alone


def test_a_run_that_stops_without_naming_it_is_not_caught(rig, monkeypatch):
    project = load(rig())
    bench = Bench(project, project.vehicles, datetime.date(2026, 1, 1))
    told = []

    def stops(*_arguments, **_named):
        raise InputError(told[-1])

    monkeypatch.setattr(Bench, "_asked", stops)
    one = Fault(Kind.SHIFTED, "bonnet", "words", ("hatch",), lambda it: it, "bonnet")
    told.append('"bonnet" cannot be used')
    assert bench.try_fault(one).outcome is Outcome.CAUGHT
    told.append("the disk is full")
    assert bench.try_fault(one).outcome is Outcome.HIDDEN


def test_a_bolt_that_fails_already_hides_its_faults(rig):
    """B2 stands in the plain part of the plate: no hole is there, before or after."""
    file = rig(("at = [-45.0, 28.0, 20.0]", "at = [-30.0, 28.0, 20.0]"))
    file.write_text(file.read_text(encoding="utf-8") + "\n[check.fasten-holes]\n", encoding="utf-8")
    by = {one.fault.target: one for one in prove(file, kinds=[Kind.BOLT_MOVED]).trials}
    assert by["B2"].outcome is Outcome.HIDDEN
    assert by["B3"].outcome is Outcome.CAUGHT
