"""Re-check of ducts: the route for each check of what a duct passes."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from geomcheck.finding import Finding
from geomcheck.verify import (
    flow_agreement,
    flow_area,
    flow_estimate,
    flow_ports,
    flow_throat,
    flow_turn,
)
from geomcheck.verify.claims import Claim
from geomcheck.verify.flow_section import open_area
from geomcheck.verify.scene import Scene

__all__ = ["ROUTES", "open_area"]

#: By the code of the check.
ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    "flow-area": flow_area.area,
    "flow-throat": flow_throat.throat,
    "flow-turn": flow_turn.turn,
    "flow-estimate": flow_estimate.estimate,
    "flow-agreement": flow_agreement.agreement,
    "fit-ports": flow_ports.ports,
}
