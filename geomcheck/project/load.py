"""Read a project file into a model, and place each vehicle's parts."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from geomcheck.errors import GeomcheckError, InputError, ProjectError
from geomcheck.files import read_plain
from geomcheck.mesh.load import load_part
from geomcheck.mesh.part import Part, PartSet
from geomcheck.mesh.threads import THREADS
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import MILLIMETRES, Document, PartEntry
from geomcheck.project.lines import Key, LineMap
from geomcheck.project.names import check_names
from geomcheck.project.placing import Stand, check_datums, refined, stand
from geomcheck.project.validate import Settings, validate

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

    def mesh_files(self, names: Iterable[str] = ()) -> tuple[str, ...]:
        """Mesh files that :meth:`assemble` reads, as the project file names them, each once."""
        wanted = tuple(names) or self.vehicles
        files = [entry.file for entry in self.document.parts]
        for vehicle in self.document.vehicles:
            if vehicle.name in wanted:
                files += [entry.file for entry in vehicle.parts]
        return tuple(dict.fromkeys(files))

    def assemble(self, names: Iterable[str] = ()) -> Iterator[Assembly]:
        """Read and place the parts, one vehicle after the other.

        Parts outside the vehicles are read once and shared between them. All are read at once, by
        several threads, when the first is asked for.

        Parameters
        ----------
        names : iterable of str
            Only these vehicles; all if empty.

        Raises
        ------
        InputError
            A mesh file cannot be used, or a placement is not rigid; names file and entry.
        """
        wanted = tuple(names) or self.vehicles
        ours: dict[str, tuple[Key, PartEntry, Part]] = {}
        shared: dict[Any, Any] = {}
        with ThreadPoolExecutor(THREADS) as pool:
            read = {
                key: pool.submit(self._read, entry, matrix)
                for key, entry, matrix in self._places(wanted)
            }
        for number, entry in enumerate(self.document.parts):
            self._add(ours, ("part", number), entry, None, read)
        for name in wanted:
            parts = dict(ours)
            for number, vehicle in enumerate(self.document.vehicles):
                if vehicle.name == name:
                    key = ("vehicle", number, "place")
                    where = stand(vehicle.place, self.lines, key, f"vehicle {name}")
                    for position, entry in enumerate(vehicle.parts):
                        self._add(parts, ("vehicle", number, "part", position), entry, where, read)
            yield self._assembly(name, parts, shared)

    def _places(self, names: Iterable[str]) -> Iterator[tuple[Key, PartEntry, Any]]:
        """Every part of the vehicles with its matrix, up to the first that has no place."""
        document = self.document
        try:
            for number, entry in enumerate(document.parts):
                key: Key = ("part", number)
                yield key, entry, stand(entry.place, self.lines, (*key, "place"), entry.name).matrix
            for number, vehicle in enumerate(document.vehicles):
                if vehicle.name not in names:
                    continue
                key = ("vehicle", number, "place")
                whole = stand(vehicle.place, self.lines, key, f"vehicle {vehicle.name}")
                for position, entry in enumerate(vehicle.parts):
                    key = ("vehicle", number, "part", position)
                    own = stand(entry.place, self.lines, (*key, "place"), entry.name)
                    yield key, entry, own.then(whole).matrix
        except InputError:
            # It is raised again, in its turn, where the part is placed.
            return

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
            order=document.order.here(name) if document.order is not None else None,
            patterns=here("pattern", document.patterns),
            port_joints=here("port_joint", document.port_joints),
            connectors=here("connector", document.connectors),
            services=here("service", document.services),
        )

    def _add(
        self,
        parts: dict[str, tuple[Key, PartEntry, Part]],
        key: Key,
        entry: PartEntry,
        vehicle: Stand | None,
        read: Mapping[Key, Future[Part]],
    ) -> None:
        known = {name: part for name, (_, _, part) in parts.items()}
        parts[entry.name] = (key, entry, self._part(key, entry, vehicle, known, read))

    def _part(
        self,
        key: Key,
        entry: PartEntry,
        vehicle: Stand | None,
        known: Mapping[str, Part],
        read: Mapping[Key, Future[Part]],
    ) -> Part:
        """One part in place; ``known`` are those placed before it."""
        place = (*key, "place")
        where = stand(entry.place, self.lines, place, entry.name)
        if vehicle is not None:
            where = where.then(vehicle)
        try:
            part = read[key].result()
        except InputError as error:
            raise self._at((*key, "file"), error) from error
        part = replace(part, alignments=where.alignments)
        check_datums(part, entry.place, self.lines, place)
        if entry.refine is None:
            return part
        return refined(part, entry.refine, known, self.lines, (*key, "refine"))

    def _read(self, entry: PartEntry, matrix: Any) -> Part:
        unit = entry.unit or self.document.unit
        return load_part(
            Path(os.path.normpath(self.file.parent / entry.file)),
            name=entry.name,
            role=entry.role,
            kind=entry.kind,
            factor=MILLIMETRES[unit],
            matrix=matrix,
            sagitta=entry.sagitta,
        )

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
    except RecursionError as error:
        raise ProjectError(
            "tables and lists stand in one another a thousand deep",
            file=path,
            remedy="give the TOML file that lists the parts",
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
        return read_plain(path).decode("utf-8-sig")
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
