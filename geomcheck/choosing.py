"""Which checks are run and which vehicles; names that do not exist are refused."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from difflib import get_close_matches

from geomcheck.errors import ProjectError
from geomcheck.project.lines import Key
from geomcheck.project.load import Project

#: Checks that are run whatever is chosen: every other answer rests on theirs.
ALWAYS = ("part-placed", "part-sound")


def choose(project: Project, known: Collection[str], only: tuple[str, ...]) -> list[str]:
    """Codes of the checks to run: all that are known, or those asked for and those always run.

    Raises
    ------
    ProjectError
        The project file or ``only`` names a check that is not known.
    """
    for code in project.document.check:
        if code not in known:
            ref = project.lines.entry(("check", code))
            raise ProjectError(
                f"there is no check {code!r}",
                remedy=_known("checks", code, known),
                file=project.file,
                line=ref.line,
                entry=ref.entry,
            )
    for key, codes in _settled_codes(project):
        for code in codes:
            if code not in known:
                ref = project.lines.entry(key)
                raise ProjectError(
                    f"there is no check {code!r}",
                    remedy=_known("checks", code, known),
                    file=project.file,
                    line=ref.line,
                    entry=ref.entry,
                )
    for code in only:
        if code not in known:
            raise ProjectError(f"there is no check {code!r}", remedy=_known("checks", code, known))
    return [code for code in known if not only or code in only or code in ALWAYS]


def _known(what: str, name: str, known: Collection[str]) -> str:
    """The name that may be meant, and all there are."""
    close = get_close_matches(name, known, 1)
    meant = f"did you mean {close[0]!r}? " if close else ""
    return f"{meant}known {what}: {', '.join(known)}"


def _settled_codes(project: Project) -> Iterator[tuple[Key, tuple[str, ...]]]:
    """Codes of checks that waivers and the baseline name, with their places."""
    for number, waiver in enumerate(project.document.waivers):
        yield ("waiver", number, "code"), (waiver.code,)
    if project.document.baseline is not None:
        yield ("baseline", "checks"), project.document.baseline.checks


def choose_vehicles(project: Project, vehicles: tuple[str, ...]) -> tuple[str, ...]:
    """Names of the vehicles asked for, all if none is, in the order of the project file.

    Raises
    ------
    ProjectError
        A vehicle is not known.
    """
    for name in vehicles:
        if name not in project.vehicles:
            raise ProjectError(
                f"there is no vehicle {name!r}",
                remedy=_known("vehicles", name, project.vehicles),
                file=project.file,
            )
    return tuple(name for name in project.vehicles if not vehicles or name in vehicles)
