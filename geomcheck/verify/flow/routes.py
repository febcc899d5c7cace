"""Ducts and their ports: by the code of the check."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim
from geomcheck.verify.flow.agreement import agreement
from geomcheck.verify.flow.area import area
from geomcheck.verify.flow.estimate import estimate
from geomcheck.verify.flow.ports import ports
from geomcheck.verify.flow.throat import throat
from geomcheck.verify.flow.turn import turn
from geomcheck.verify.scene import Scene

ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    "flow-area": area,
    "flow-throat": throat,
    "flow-turn": turn,
    "flow-estimate": estimate,
    "flow-agreement": agreement,
    "fit-ports": ports,
}
