"""A run held against the baseline: for each check the project names, value by value.

- no entry: a fail, since nobody has accepted the value;
- a gap or a least area that nothing measures any more, or a vehicle that is gone: a fail until it
  is pruned;
- worse than the entry by no more than the noise: a pass. Where nothing says which side is worse
  (a value without a requirement), any change counts;
- worse by more: a fail if that is so for all values both intervals allow, else undecided.

Each answer is a finding of its own (code ``baseline``): the measured question keeps its verdict.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from geomcheck.finding import EntryRef, Finding, Quantity, Requirement, Term, Verdict
from geomcheck.project.settling import BaselineEntry
from geomcheck.release.baseline import CODE, DECIMALS, Accepted, Baseline, value_of
from geomcheck.wording import capital

# Told of everything that is asked: one is gone only where less is asked (a part left out).
_ALWAYS_TOLD = frozenset(
    {("fit-gap", "gap"), ("flow-area", "least area"), ("flow-throat", "least area at any tilt")}
)


def against_baseline(
    findings: Iterable[Finding],
    baseline: Baseline,
    entry: BaselineEntry,
    *,
    ref: EntryRef,
    vehicles: Sequence[str],
    known: Iterable[str],
    asked: frozenset[str],
) -> tuple[Finding, ...]:
    """Findings on how a run stands against the baseline.

    Parameters
    ----------
    findings, baseline, entry, ref
    vehicles : sequence of str
        The vehicles that were run; nothing is said of others.
    known : iterable of str
        All vehicles of the project; one that has accepted values and is none of them is told.
    asked : frozenset of str
        The checks that were run.
    """
    answers = []
    met, subjects, run = set(), set(), frozenset(vehicles)
    for finding in findings:
        subjects.add((finding.vehicle, finding.code, finding.subject))
        if finding.code not in entry.checks or finding.quantity is None:
            continue
        now = value_of(finding, finding.quantity)
        met.add(now.question)
        then = baseline.get(now.question)
        answers.append(_answer(finding, finding.quantity, then, entry, ref))
    for question, then in baseline.items():
        if question not in met and then.vehicle in run and then.code in asked:
            told = (then.code, then.name) in _ALWAYS_TOLD
            answers.append(_obsolete(then, ref, lost=told and question[:3] not in subjects))
    gone = {then.vehicle for then in baseline.values()} - set(known)
    return (*answers, *(_gone(name, vehicles[0], ref) for name in sorted(gone) if vehicles))


def _gone(name: str, vehicle: str, ref: EntryRef) -> Finding:
    """A vehicle that was taken out of the project, told with one that is still in it."""
    return Finding(
        CODE,
        Verdict.FAIL,
        vehicle,
        f'vehicle "{name}", obsolete',
        (),
        f'Values of vehicle "{name}" were accepted, and the project has no such vehicle any more.',
        "Put it back, or give it its name; or, where that is meant, let 'geomcheck prune' take "
        "it out of the baseline.",
        entry=ref,
    )


def _answer(
    finding: Finding,
    now: Quantity,
    then: Accepted | None,
    entry: BaselineEntry,
    ref: EntryRef,
) -> Finding:
    def answer(
        verdict: Verdict, message: str, remedy: str = "", worse: Quantity | None = None
    ) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=finding.vehicle,
            subject=f"{finding.code} {finding.subject}, {now.name}",
            parts=finding.parts,
            message=message,
            remedy=remedy,
            witnesses=finding.witnesses,
            view=finding.view,
            entry=ref,
            quantity=worse,
            requirement=None if worse is None else need,
        )

    noise = entry.noise.get(now.unit, 0.0)
    need = Requirement("at most", noise, now.unit, f'baseline, noise for "{now.unit}"')
    accept = "Mend it, or let 'geomcheck accept' take the new value into the baseline."
    what = f"{now.name} of {finding.subject}"
    if then is None:
        return answer(Verdict.FAIL, f"The {what} is in no entry of the baseline.", accept)
    if then.unit != now.unit:
        return answer(
            Verdict.FAIL, f"The {what} is in {now.unit}; the baseline has {then.unit}.", accept
        )
    worse = _worse(now, then, finding.requirement)
    told = f"{what}: {now.value:.6g} {now.unit}, accepted {then.value:.6g}"
    # The same mesh gives the same value: what both were read as is compared without their
    # intervals, and a difference within the noise, or within what the file rounds off, is none.
    read = worse.value if abs(worse.value) > 0.5 * 10.0**-DECIMALS else 0.0
    if read <= noise:
        exact = Quantity(worse.name, read, worse.unit, read, read)
        return answer(Verdict.PASS, f"{told}.", "", exact)
    if worse.low > noise:
        return answer(Verdict.FAIL, f"{told}: {_by(worse)}.", accept, worse)
    return answer(
        Verdict.UNDECIDED,
        f"{told}: {_by(worse)}, which lies inside the uncertainty of the two.",
        accept,
        worse,
    )


def _by(worse: Quantity) -> str:
    return f"{worse.name} by {worse.value:.4g} {worse.unit} ({worse.low:.4g} to {worse.high:.4g})"


def _worse(now: Quantity, then: Accepted, requirement: Requirement | None) -> Quantity:
    """By how much a value is worse than accepted, as a quantity; negative where it is better."""
    up, fell = now.value - then.value, then.value - now.value
    spread = (now.high - now.value) + (then.value - then.low)
    drop = (now.value - now.low) + (then.high - then.value)
    sense = requirement.sense if requirement is not None else None
    if sense == "at most" or (sense is None and up >= 0.0):
        value, plus, minus = up, spread, drop
    else:
        value, plus, minus = fell, drop, spread
    if sense is None:
        minus = min(minus, value)
    name = "change" if sense is None else "worse"
    term = Term("both intervals", max(minus, 0.0), max(plus, 0.0), "taken as independent")
    return Quantity.from_terms(name, value, now.unit, (term,))


def _obsolete(then: Accepted, ref: EntryRef, *, lost: bool) -> Finding:
    prune = "let 'geomcheck prune' take it out of the baseline."
    return Finding(
        CODE,
        Verdict.FAIL if lost else Verdict.NOT_APPLICABLE,
        then.vehicle,
        f"{then.code} {then.subject}, {then.name}, obsolete",
        (then.part,) if then.part else (),
        f"No question asks for the {then.name} of {then.subject} any more.",
        f"Ask for it again; or, where that is meant, {prune}" if lost else capital(prune),
        entry=ref,
        about_input=not lost,
    )
