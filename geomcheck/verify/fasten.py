"""Second routes for bolts, by check."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim
from geomcheck.verify.holes import holes
from geomcheck.verify.length import length
from geomcheck.verify.pattern import pattern
from geomcheck.verify.reach import reach
from geomcheck.verify.scene import Scene
from geomcheck.verify.withdraw import withdraw

ROUTES: dict[str, Callable[[Scene, Finding], Iterator[Claim]]] = {
    "fasten-holes": holes,
    "fasten-length": length,
    "fasten-pattern": pattern,
    "fasten-reach": reach,
    "fasten-withdraw": withdraw,
}
