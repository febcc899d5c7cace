"""What is asked of every refusal."""

from __future__ import annotations

from pathlib import Path

from geomcheck.errors import GeomcheckError


class FaultError(AssertionError):
    """Something happened that must not."""


def refused(error: GeomcheckError, file: Path) -> str:
    """The outcome "refused", if the message is one line, names the file and is of a fair length.

    A quoted name of the input may be long; more than a screen is too long.
    """
    if str(file) not in error.text and file.name not in error.text:
        raise FaultError(f"the message does not name the file: {error.text!r}") from error
    if len(error.text.splitlines()) != 1 or not error.text.isprintable():
        raise FaultError(f"the message is not one line of text: {error.text!r}") from error
    if len(error.text) > 1500:
        raise FaultError(f"a message of {len(error.text)} characters: {error.text[:200]!r}")
    return "refused"
