"""Re-check a result, finding by finding."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from shapely.errors import ShapelyError

from geomcheck.errors import GeomcheckError, InputError
from geomcheck.files import read_plain
from geomcheck.finding import Finding
from geomcheck.project.load import load
from geomcheck.reports.json import read_result
from geomcheck.verify.claims import Claim, Recheck, Report, left_open
from geomcheck.verify.fasten import routes as fasten
from geomcheck.verify.figures import figures, whole
from geomcheck.verify.fit import routes as fit
from geomcheck.verify.flow import routes as flow
from geomcheck.verify.part import routes as part
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.shown import shown

#: What comes of keys that are missing, values of another kind, and figures past all bounds.
_DAMAGE = (
    LookupError, TypeError, ValueError, AttributeError, ArithmeticError, AssertionError,
    RecursionError, MemoryError, RuntimeWarning, ShapelyError,
)  # fmt: skip

#: Told what is being done, and how many of how many findings are finished.
Tell = Callable[[str, int, int], None]

_ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    **part.ROUTES,
    **fit.ROUTES,
    **flow.ROUTES,
    **fasten.ROUTES,
}


def recheck(result: Path, project: Path, tell: Tell | None = None) -> Report:
    """Re-check the witnesses of a result against the meshes of its project.

    Parameters
    ----------
    result : Path
        JSON that ``geomcheck check --json`` wrote.
    project : Path
        The project file; its meshes are read anew.
    tell : callable, optional
        Told what is being done.

    Raises
    ------
    InputError
        The result, the project file or a mesh cannot be read, or they do not belong together.
    """
    told = read_result(result)
    scene = Scene(load(project), told.findings)
    if told.project != scene.project.document.name:
        raise InputError(
            f'the result is of project "{told.project}", not "{scene.project.document.name}"',
            where=str(result),
            remedy="give the project file that it was made from",
        )
    data = json.loads(read_plain(result).decode("utf-8"))
    if not isinstance(data.get("counts"), dict) or not isinstance(data.get("exit_code"), int):
        raise InputError("this result is damaged (no counts, no exit code)", where=str(result))
    say = tell or (lambda _what, _done, _total: None)
    found = []
    for number, finding in enumerate(told.findings):
        say(f"{finding.code}: {finding.subject}", number, len(told.findings))
        found.append(Recheck(finding, claims_of(scene, finding, result)))
    say("done", len(told.findings), len(told.findings))
    return Report(tuple(whole(told, data, scene.project)), tuple(found))


def claims_of(scene: Scene, finding: Finding, result: Path) -> tuple[Claim, ...]:
    """What the second route says of one finding.

    Parameters
    ----------
    scene : Scene
    finding : Finding
    result : Path
        The file it was read from; for messages.

    Raises
    ------
    InputError
        The finding does not hold what its check writes.
    """
    try:
        # Figures that run over would turn into no number, and that compares as nothing wrong.
        with np.errstate(over="raise", invalid="raise"):
            return tuple(_claims(scene, finding))
    except GeomcheckError:
        raise
    except _DAMAGE as error:
        # What a result says is read from a file that anyone may have edited.
        raise InputError(
            f"the finding of {finding.code:.60} on {finding.subject:.200} is damaged "
            f"({type(error).__name__}: {str(error)[:200]})",
            where=str(result),
            remedy="give a result as 'geomcheck check --json' wrote it",
        ) from error


def _claims(scene: Scene, finding: Finding) -> Iterator[Claim]:
    yield from figures(finding)
    route = _ROUTES.get(finding.code)
    if route is None:
        yield left_open("value", "there is no second route for this check")
        return
    try:
        yield from route(scene, finding)
    except NotRechecked as why:
        yield left_open("value", why.what)
    try:
        yield from shown(scene, finding)
    except NotRechecked as why:
        yield left_open("places", why.what)
