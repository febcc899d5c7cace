"""Whether a finding's witnesses lie where it says; how near two routes must agree."""

from __future__ import annotations

import numpy as np

from geomcheck.finding import Witness
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.plain.laid import SLACK
from geomcheck.verify.plain.simple import FloatArray, distance_to
from geomcheck.verify.scene import Scene

#: Points and values are written to a millionth of a mm; this is far above that and below any use.
NEAR = 2e-5


def on_part(
    witness: Witness, mesh: FloatArray, point: FloatArray | None = None, near: float = NEAR
) -> Claim:
    """The claim that a witness lies on its part."""
    off = distance_to(np.array(witness.point) if point is None else point, mesh)
    return confirm(f"witness on {witness.part}", off <= near, f"{off:.6f} mm off it")


def closeness(scene: Scene, vehicle: str, *names: str) -> float:
    """Mm within which two routes agree on a point of these parts.

    Where one is laid on another by patches each route's search ends a little elsewhere.
    """
    return SLACK if any(scene.by_patches(vehicle, name) for name in names) else NEAR
