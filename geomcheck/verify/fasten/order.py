"""Re-check of the order of work: told steps done again, told blocks looked at again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, Status, confirm, left_open
from geomcheck.verify.fasten.steps import Steps
from geomcheck.verify.fasten.stuck import all_ways, stopped
from geomcheck.verify.fasten.work import Job
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import on_part


def order(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """The order of work: its steps in their order, each done again; or what stops each way."""
    job = Job(scene, finding)
    for witness in finding.witnesses:
        if witness.part in job.names:
            yield on_part(witness, scene.triangles(finding.vehicle, witness.part))
    if finding.verdict is Verdict.FAIL:
        yield from _none(job, finding)
        return
    if "steps" not in finding.details:
        yield left_open("order", "the finding tells of no steps")
        return
    steps = Steps(job, finding)
    good = True
    for claim in steps.listed():
        good &= claim.status is not Status.CONTRADICTED
        yield claim
    # Steps that do not belong together are not done again.
    if good:
        yield from steps.done()
    if finding.verdict is Verdict.UNDECIDED:
        yield left_open("no order is proved", "with chord errors at their worst; not tried again")


def _none(job: Job, finding: Finding) -> Iterator[Claim]:
    """That nothing of what is stuck can be the first of it to come off."""
    told = finding.details
    stuck: list[str] = list(told["stuck"])
    rows: list[Mapping[str, Any]] = list(told["ways"])
    yield from all_ways(job, stuck, rows)
    for row in rows:
        for claim in stopped(job, row, stuck):
            yield Claim(f"{row['item']} ({row['way']}): {claim.what}", claim.status, claim.words)
    for wait in told["waits"]:
        yield from _wait(job, wait, rows, stuck)


def _wait(
    job: Job, wait: Mapping[str, Any], rows: list[Mapping[str, Any]], stuck: list[str]
) -> Iterator[Claim]:
    """One link of what waits for what: it is one of the ways, or is looked at by itself."""
    label = f"{wait['item']} ({wait['way']})"
    mine = [row for row in rows if (row["item"], row["way"]) == (wait["item"], wait["way"])]
    if not mine:
        yield confirm(label, False, "this way is not among those that are told")
        return
    names = [] if wait["waits_for"] is None else [wait["waits_for"]]
    for row in mine:
        same = (row["stopped_by"], row["point"]) == (wait["stopped_by"], wait["point"])
        if same and (set(names) <= set(row["while"]) and bool(names) == bool(row["while"])):
            yield confirm(label, True, f"stopped by {wait['stopped_by']}, as told above")
            return
    link = {**mine[0], "stopped_by": wait["stopped_by"], "point": wait["point"], "while": names}
    for claim in stopped(job, link, stuck):
        yield Claim(f"{label}: {claim.what}", claim.status, claim.words)
