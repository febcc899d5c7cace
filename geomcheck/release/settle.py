"""A run's result in the light of what the project has settled: its waivers and its baseline."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from geomcheck.errors import InputError, ProjectError
from geomcheck.finding import Finding, Result, rank
from geomcheck.mesh.part import Part
from geomcheck.project.load import Project
from geomcheck.release.baseline import read_baseline
from geomcheck.release.held import against_baseline
from geomcheck.release.waivers import apply_waivers


def settle(
    project: Project,
    result: Result,
    parts: Mapping[str, Mapping[str, Part]],
    *,
    today: datetime.date,
    asked: frozenset[str],
) -> Result:
    """The result with waivers applied and the baseline held against it.

    Parameters
    ----------
    project : Project
    result : Result
        Of the checks alone.
    parts : mapping of str to mapping of str to Part
        Placed parts by name, by vehicle.
    today : date
        Waivers hold up to and on their last day. It does not enter the result.
    asked : frozenset of str
        Codes of the checks that were run.

    Raises
    ------
    ProjectError
        The baseline cannot be read, or a waiver is damaged; names the line.
    """
    document = project.document
    findings: tuple[Finding, ...] = result.findings
    if document.baseline is not None:
        ref = project.lines.entry(("baseline",))
        try:
            baseline = read_baseline(baseline_file(project))
        except InputError as error:
            raise ProjectError(
                f"{error.where}: {error.what}" if error.where else error.what,
                remedy=error.remedy,
                file=project.file,
                line=ref.line,
                entry=ref.entry,
            ) from error
        findings = (
            *findings,
            *against_baseline(
                findings,
                baseline,
                document.baseline,
                ref=ref,
                vehicles=result.vehicles,
                known=project.vehicles,
                asked=asked,
            ),
        )
    if document.waivers:
        findings = apply_waivers(
            findings, document.waivers, parts, project.lines, today=today, asked=asked
        )
    if findings is result.findings:
        return result
    return replace(result, findings=tuple(sorted(findings, key=rank)))


def baseline_file(project: Project) -> Path:
    """Where the baseline stands; the project must name one.

    Raises
    ------
    InputError
        It names none.
    """
    if project.document.baseline is None:
        raise InputError(
            "the project file names no baseline",
            where=str(project.file),
            remedy='add [baseline] with file = "baseline.json" and checks = ["flow-area", ...]',
        )
    return project.file.parent / project.document.baseline.file
