"""A waiver as the text of a project file."""

from __future__ import annotations

import json

from geomcheck.project.settling import WaiverEntry


def waiver_text(entry: WaiverEntry) -> str:
    """The ``[[waiver]]`` table, ready to be put into a project file.

    Numbers are written so that they read back as they are; text as TOML basic strings, whose
    escapes are those of JSON.
    """
    bound = ""
    if entry.at_least is not None:
        bound = f"at_least = {entry.at_least!r}\n"
    if entry.at_most is not None:
        bound = f"at_most = {entry.at_most!r}\n"
    marks = ", ".join(f"{_text(name)} = {_text(mark)}" for name, mark in entry.shape.items())
    return (
        "[[waiver]]\n"
        f"code = {_text(entry.code)}\n"
        f"vehicle = {_text(entry.vehicle)}\n"
        f"subject = {_text(entry.subject)}\n"
        f"at = [{', '.join(repr(round(x, 4) + 0.0) for x in entry.at)}]\n"
        f"radius = {entry.radius!r}\n"
        f"{bound}"
        f"{'undecided = true' + chr(10) if entry.undecided else ''}"
        f"reason = {_text(entry.reason)}\n"
        f"owner = {_text(entry.owner)}\n"
        f"expires = {entry.expires.isoformat()}\n"
        f"shape = {{ {marks} }}\n"
    )


def _text(value: str) -> str:
    # DEL is the one character JSON leaves as it is and TOML refuses.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
