"""What can go wrong, as one tree.

    GeomcheckError
    ├── InputError              the user's files or settings cannot be used (exit code 2)
    │   ├── ProjectError        the project file: which line, which entry
    │   ├── MeshFileError       a mesh file: which file, which triangle
    │   └── PlacementError      a placement that is not a rigid motion
    └── CannotDecide            the question is fair, but this mesh cannot answer it (exit code 4)

Every error says what is wrong, where, and what to do about it. The rooms raise them; only
``geomcheck.cli`` catches them all.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path


def visible(text: str) -> str:
    """Text on one line: signs that cannot be seen or printed are written out.

    Messages quote files and names, and may end in a terminal or a log that acts on such signs.
    """
    if text.isprintable():
        return text
    return "".join(
        sign
        if sign.isprintable() or unicodedata.category(sign) == "Zs"  # wide and hard blanks
        else sign.encode("unicode_escape").decode("ascii")
        for sign in text
    )


class GeomcheckError(Exception):
    """Base of every error geomcheck raises on purpose.

    Parameters
    ----------
    what : str
        What is wrong, in one sentence without a closing full stop.
    remedy : str
        What the user can do about it.
    where : str
        The place: an entry of the project file, a triangle, a part; may be empty.
    """

    def __init__(self, what: str, *, remedy: str = "", where: str = "") -> None:
        self.what = visible(what)
        self.remedy = visible(remedy)
        self.where = visible(where)
        super().__init__(self.text)

    @property
    def text(self) -> str:
        """The whole message on one line: place, fault, remedy."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}. {self.remedy}" if self.remedy else f"{head}."


class InputError(GeomcheckError):
    """The user's files or settings cannot be used; exit code 2."""


class ProjectError(InputError):
    """The project file is wrong.

    Parameters
    ----------
    file : Path or None
        The project file.
    line : int or None
        1-based line of the entry.
    entry : str
        The entry as the user wrote it, such as ``vehicle "Sorrel van" > part "bonnet"``.
    """

    def __init__(
        self,
        what: str,
        *,
        remedy: str = "",
        file: Path | None = None,
        line: int | None = None,
        entry: str = "",
    ) -> None:
        self.file = file
        self.line = line
        self.entry = entry
        place = str(file) if file is not None else ""
        if line is not None:
            place = f"{place}, line {line}" if place else f"line {line}"
        where = ", ".join(text for text in (place, entry) if text)
        super().__init__(what, remedy=remedy, where=where)


class MeshFileError(InputError):
    """A mesh file cannot be used.

    Parameters
    ----------
    file : Path
        The mesh file.
    triangle : int or None
        0-based number of the offending triangle in file order, where there is one.
    """

    def __init__(
        self, what: str, *, file: Path, remedy: str = "", triangle: int | None = None
    ) -> None:
        self.file = file
        self.triangle = triangle
        where = str(file) if triangle is None else f"{file}, triangle {triangle}"
        super().__init__(what, remedy=remedy, where=where)


class PlacementError(InputError):
    """A placement is not a rigid motion: it scales, mirrors or shears."""


class CannotDecide(GeomcheckError):  # noqa: N818 - it is an outcome, named as the trade says it
    """The question is fair but this mesh cannot answer it; becomes an undecided finding."""
