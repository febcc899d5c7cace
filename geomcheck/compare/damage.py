"""Figures of two results are read from files that anyone may have edited."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from geomcheck.errors import InputError
from geomcheck.finding import Finding


@contextmanager
def reading(finding: Finding) -> Iterator[None]:
    """Turn what damaged details lead to into one message that names the finding.

    Raises
    ------
    InputError
        The details, in either result, do not hold what the finding's check writes.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        raise InputError(
            f"the finding of {finding.code:.60} on {finding.subject:.200} is damaged in one of "
            f"the two results ({type(error).__name__}: {str(error)[:200]})",
            remedy="give results as 'geomcheck check --json' wrote them",
        ) from error
