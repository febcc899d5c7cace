"""Gaps, zones, trims, mates and movements: by the code of the check."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim
from geomcheck.verify.fit.gap import gap
from geomcheck.verify.fit.mate import mate
from geomcheck.verify.fit.movement import movement
from geomcheck.verify.fit.trim import trim
from geomcheck.verify.fit.zones import zone
from geomcheck.verify.scene import Scene

ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    "fit-gap": gap,
    "fit-zones": zone,
    "fit-trim": trim,
    "fit-mate": mate,
    "fit-movement": movement,
}
