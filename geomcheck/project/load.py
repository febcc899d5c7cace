"""Read a project file into a model, and place each vehicle's parts."""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from geomcheck.errors import GeomcheckError, InputError, ProjectError
from geomcheck.mesh.load import load_part
from geomcheck.mesh.part import Part, PartSet
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import MILLIMETRES, Document, PartEntry
from geomcheck.project.lines import Key, LineMap
from geomcheck.project.names import check_names
from geomcheck.project.placing import Stand, check_datums, refined, stand

Settings = TypeVar("Settings", bound=BaseModel)

#: A project file larger than this is taken for something else.
LARGEST_FILE = 4_000_000
#: The vehicle's name when the project lists none: the parts on the bench.
BENCH = "bench"


@dataclass(frozen=True, eq=False)
class Project:
    """A validated project file.

    Parameters
    ----------
    file : Path
        The project file; mesh paths are relative to its folder.
    document : Document
    lines : LineMap
    """

    file: Path
    document: Document
    lines: LineMap

    @property
    def vehicles(self) -> tuple[str, ...]:
        """Names of the vehicles in file order; ``("bench",)`` when there are none."""
        return tuple(vehicle.name for vehicle in self.document.vehicles) or (BENCH,)

    def settings(self, code: str, kind: type[Settings]) -> Settings:
        """Settings of one check, from its ``[check.CODE]`` table.

        Raises
        ------
        ProjectError
            A key is unknown or a value is of the wrong kind; names the line.
        """
        raw = self.document.check.get(code, {})
        return validate(kind, raw, self.lines, ("check", code))

    def assemble(self, names: Iterable[str] = ()) -> Iterator[Assembly]:
        """Read and place the parts, one vehicle after the other.

        Parts outside the vehicles are read once and shared between them.

        Parameters
        ----------
        names : iterable of str
            Only these vehicles; all if empty.

        Raises
        ------
        InputError
            A mesh file cannot be used, or a placement is not rigid; names file and entry.
        """
        ours: dict[str, tuple[Key, PartEntry, Part]] = {}
        shared: dict[Any, Any] = {}
        for number, entry in enumerate(self.document.parts):
            self._add(ours, ("part", number), entry, None)
        for name in tuple(names) or self.vehicles:
            parts = dict(ours)
            for number, vehicle in enumerate(self.document.vehicles):
                if vehicle.name == name:
                    key = ("vehicle", number, "place")
                    where = stand(vehicle.place, self.lines, key, f"vehicle {name}")
                    for position, entry in enumerate(vehicle.parts):
                        self._add(parts, ("vehicle", number, "part", position), entry, where)
            yield self._assembly(name, parts, shared)

    def _assembly(
        self, name: str, parts: dict[str, tuple[Key, PartEntry, Part]], shared: dict[Any, Any]
    ) -> Assembly:
        document = self.document

        def here(list_name: str, entries: Any) -> tuple[tuple[Key, Any], ...]:
            return tuple(
                ((list_name, number), entry)
                for number, entry in enumerate(entries)
                if entry.vehicle in (None, name)
            )

        return Assembly(
            vehicle=name,
            parts=PartSet(part for _, _, part in parts.values()),
            mates=here("mate", document.mates),
            ducts=here("duct", document.ducts),
            fasteners=here("fastener", document.fasteners),
            tools=tuple((("tool", n), tool) for n, tool in enumerate(document.tools)),
            part_entries={key: entry for key, (_, entry, _) in parts.items()},
            part_keys={name: key for name, (key, _, _) in parts.items()},
            lines=self.lines,
            vehicles=self.vehicles,
            movements=here("movement", document.movements),
            shared=shared,
            states=here("state", document.states),
        )

    def _add(
        self,
        parts: dict[str, tuple[Key, PartEntry, Part]],
        key: Key,
        entry: PartEntry,
        vehicle: Stand | None,
    ) -> None:
        known = {name: part for name, (_, _, part) in parts.items()}
        parts[entry.name] = (key, entry, self._part(key, entry, vehicle, known))

    def _part(
        self, key: Key, entry: PartEntry, vehicle: Stand | None, known: Mapping[str, Part]
    ) -> Part:
        """One part in place; ``known`` are those placed before it."""
        place = (*key, "place")
        where = stand(entry.place, self.lines, place, entry.name)
        if vehicle is not None:
            where = where.then(vehicle)
        unit = entry.unit or self.document.unit
        path = Path(os.path.normpath(self.file.parent / entry.file))
        try:
            part = load_part(
                path,
                name=entry.name,
                role=entry.role,
                kind=entry.kind,
                factor=MILLIMETRES[unit],
                matrix=where.matrix,
                sagitta=entry.sagitta,
            )
        except InputError as error:
            raise self._at((*key, "file"), error) from error
        part = replace(part, alignments=where.alignments)
        check_datums(part, entry.place, self.lines, place)
        if entry.refine is None:
            return part
        return refined(part, entry.refine, known, self.lines, (*key, "refine"))

    def _at(self, key: Key, error: GeomcheckError) -> ProjectError:
        ref = self.lines.entry(key)
        what = f"{error.where}: {error.what}" if error.where else error.what
        return ProjectError(
            what, remedy=error.remedy, file=self.file, line=ref.line, entry=ref.entry
        )


def load(path: Path) -> Project:
    """Read and validate a project file; no mesh is read yet.

    Parameters
    ----------
    path : Path

    Raises
    ------
    ProjectError
        Missing, unreadable, not TOML, unknown key, wrong value, unknown or repeated name.
    """
    text = _read(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProjectError(
            f"this is not valid TOML: {error}",
            file=path,
            remedy="mend that place; text values need quotation marks",
        ) from error
    lines = LineMap(path, text, data)
    document = validate(Document, data, lines, ())
    check_names(document, lines)
    return Project(path, document, lines)


def _read(path: Path) -> str:
    try:
        if path.is_dir():
            raise ProjectError(
                "this is a folder", file=path, remedy="give the project file inside it"
            )
        if path.stat().st_size > LARGEST_FILE:
            raise ProjectError(
                "the file is too large for a project file",
                file=path,
                remedy="give the TOML file that lists the parts, not a mesh",
            )
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise ProjectError(
            "there is no such file",
            file=path,
            remedy="give the path of a project file; 'geomcheck new FOLDER' writes one",
        ) from error
    except OSError as error:
        raise ProjectError(f"cannot be read: {error.strerror}", file=path) from error
    except UnicodeDecodeError as error:
        raise ProjectError(
            f"byte {error.start} is not UTF-8 text",
            file=path,
            remedy="give the TOML project file, saved as UTF-8",
        ) from error


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
