"""A raw table of the project file into its settings class, or the fault in a user's words."""

from __future__ import annotations

import difflib
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from geomcheck.errors import ProjectError
from geomcheck.project.lines import Key, LineMap

Settings = TypeVar("Settings", bound=BaseModel)


def validate(kind: type[Settings], raw: Any, lines: LineMap, base: Key) -> Settings:
    """Turn a raw table into settings, or say on which line what is wrong.

    Raises
    ------
    ProjectError
        With the first fault's line and entry; further faults are counted.
    """
    try:
        return kind.model_validate(raw)
    except ValidationError as error:
        faults = error.errors(include_url=False)
        # A misspelt key is also a missing one: the misspelling is the fault to name.
        first = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
        key: Key = (*base, *_toml_key(first["loc"]))
        what, remedy = _explain(first, kind)
        more = len(faults) - 1
        if more:
            what += f" (and {more} more fault{'s' if more > 1 else ''} in this file)"
        ref = lines.entry(key)
        raise ProjectError(
            what, remedy=remedy, file=lines.file, line=ref.line, entry=ref.entry
        ) from error


def _toml_key(location: tuple[int | str, ...]) -> Key:
    return tuple(step for step in location if step != "[key]")


def _explain(fault: Any, kind: type[BaseModel]) -> tuple[str, str]:
    """A fault of the validator in a user's words, and what to do."""
    name = str(fault["loc"][-1]) if fault["loc"] else ""
    if fault["type"] == "extra_forbidden":
        known = _known_keys(kind, fault["loc"][:-1])
        close = difflib.get_close_matches(name, known, 1)
        hint = f"did you mean {close[0]!r}?" if close else f"known keys: {', '.join(known)}"
        return f"unknown key {name!r}", hint
    if fault["type"] == "missing":
        return f"{name!r} is missing", f"add {name} = ..."
    message = str(fault["msg"])
    message = message.removeprefix("Value error, ")
    message = message[:1].lower() + message[1:]
    given = fault.get("input")
    shown = "" if isinstance(given, (dict, BaseModel)) else f"; it is {given!r}"[:80]
    return f"{message}{shown}", ""


def _known_keys(kind: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """Keys allowed in the table at ``location``, found by walking the settings classes."""
    here: Any = kind
    for step in location:
        if isinstance(step, int):
            continue
        fields = getattr(here, "model_fields", {})
        for name, field in fields.items():
            if step in (name, field.alias):
                here = _table_in(field.annotation)
                break
    fields = getattr(here, "model_fields", {})
    return [field.alias or name for name, field in fields.items()]


def _table_in(annotation: Any) -> Any:
    """The settings class inside an annotation such as ``tuple[PartEntry, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _table_in(inner)
        if found is not None:
            return found
    return None
