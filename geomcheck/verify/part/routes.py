"""Meshes and placements: by the code of the check."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim
from geomcheck.verify.part.datums import standing
from geomcheck.verify.part.sound import sound
from geomcheck.verify.scene import Scene

ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    "part-sound": sound,
    "part-placed": standing,
}
