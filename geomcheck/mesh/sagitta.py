"""How far the true surface may stand off the facets (stub, being written)."""
from __future__ import annotations
from dataclasses import dataclass
import numpy as np
from numpy.typing import NDArray

@dataclass(frozen=True, eq=False)
class Sagitta:
    """Per-facet bounds. ``outward[i]``: mm the true surface may lie outside facet i (convex places); ``inward[i]``: inside (concave places). ``source``: "estimated" or "declared"."""
    outward: NDArray[np.float64]
    inward: NDArray[np.float64]
    source: str
