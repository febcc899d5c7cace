"""Bolts, tools, plugs, service points and the order of work: by the code of the check."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim
from geomcheck.verify.fasten.connector import connector
from geomcheck.verify.fasten.holes import holes
from geomcheck.verify.fasten.length import length
from geomcheck.verify.fasten.order import order
from geomcheck.verify.fasten.pattern import pattern
from geomcheck.verify.fasten.reach import reach
from geomcheck.verify.fasten.service import service
from geomcheck.verify.fasten.withdraw import withdraw
from geomcheck.verify.scene import Scene

ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    "fasten-holes": holes,
    "fasten-length": length,
    "fasten-pattern": pattern,
    "fasten-reach": reach,
    "fasten-withdraw": withdraw,
    "fasten-connector": connector,
    "fasten-service": service,
    "fasten-order": order,
}
