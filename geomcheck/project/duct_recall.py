"""Findings on ducts, recalled where neither the duct nor a part of it has changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from geomcheck.finding import Finding, Witness
from geomcheck.project.recall import recalled
from geomcheck.project.surveys import MeasuredDuct


def recalled_duct(
    measured: MeasuredDuct,
    check: str,
    ask: Callable[[MeasuredDuct], Finding | Iterable[Finding]],
    more: Iterable[str] = (),
) -> Iterator[Finding]:
    """Findings of one check on one duct in one state, to one outlet.

    Parameters
    ----------
    measured : MeasuredDuct
    check : str
        Code of the check that asks.
    ask : callable
        Answers it, from the duct in an assembly that has its parts only.
    more : iterable of str
        Parts it rests on that are neither walls nor obstacles of the duct.

    Raises
    ------
    ProjectError
        The duct names a part that is not there.
    """
    yield from recalled(
        measured.assembly,
        check,
        (*measured.names, *more),
        (*measured.key, measured.outlet, measured.settings.model_dump_json()),
        lambda alone: ask(replace(measured, assembly=alone)),
    )


def mouth(measured: MeasuredDuct) -> Witness:
    """Where a duct's entry lets the air in: the place of what cannot be told of all of it."""
    duct = measured.duct
    at = duct.path[0] if duct.inlet is None else duct.inlet.at
    return Witness("inlet", measured.names[0], at)
