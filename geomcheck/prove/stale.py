"""Faults of revision: the file of a part as an earlier commit had it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from geomcheck.errors import InputError
from geomcheck.mesh.load import load_part
from geomcheck.mesh.part import Part
from geomcheck.project.entries import MILLIMETRES
from geomcheck.prove import shape
from geomcheck.prove.faults import Fault, Kind, replacing
from geomcheck.prove.field import Field
from geomcheck.repository import earlier


def stale(field: Field) -> Iterator[Fault]:
    """The last version that Git knows and whose surface is another; none outside a repository."""
    for part, where in field.parts():
        try:
            other = _before(field, part, where)
        except InputError:
            # No Git, or no repository.
            return
        if other is None:
            continue
        yield Fault(
            Kind.STALE,
            part.name,
            f"{field.called(part, where)} given as {part.file.name} was before it last changed",
            where,
            replacing(part.name, other),
            part.name,
        )


def _before(field: Field, part: Part, where: tuple[str, ...]) -> Part | None:
    entry = field.assemblies[where[0]].part_entries[part.name]
    unit = entry.unit or field.unit
    for content in earlier(part.file):
        with TemporaryDirectory(prefix="geomcheck-") as folder:
            file = Path(folder) / part.file.name
            file.write_bytes(content)
            try:
                found = load_part(
                    file,
                    name=part.name,
                    role=part.role,
                    kind=part.kind,
                    factor=MILLIMETRES[unit],
                    matrix=part.place,
                    sagitta=entry.sagitta,
                )
            except InputError:
                # A pointer of Git's large-file extension, or what never was a mesh.
                continue
        found = replace(found, file=part.file, alignments=part.alignments)
        if shape.differs(part, found):
            return found
    return None
