"""Volume that two bodies have in common.

Computed by manifold3d's boolean intersection. Booleans fail on meshes that are not clean, so this
is a figure for the reader; no verdict rests on it.
"""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from geomcheck.fit.body import Body


def overlap_volume(a: Body, b: Body) -> tuple[float | None, str]:
    """Common volume in mm3, or None and the reason why it is not given.

    Parameters
    ----------
    a, b : Body
    """
    for body in (a, b):
        if not body.solid:
            return None, f"an {body.kind} mesh has no volume".replace("an soup", "a soup")
        if body.soundness.inside_out or body.soundness.doubled_bodies:
            return None, "the mesh counts material twice or faces inwards"
    solids = []
    for body in (a, b):
        solid = _SOLIDS.get(body)
        if solid is None:
            solid = _SOLIDS[body] = _solid(body)
        if isinstance(solid, str):
            return None, f"the boolean does not accept the mesh ({solid})"
        solids.append(solid)
    common = solids[0] ^ solids[1]
    if (trouble := common.status().name) != "NoError":
        return None, f"the boolean failed ({trouble})"
    volume = float(common.volume())
    largest = min(float(solid.volume()) for solid in solids)
    if not (np.isfinite(volume) and -1e-9 * largest <= volume <= largest * (1.0 + 1e-9)):
        return None, "the boolean gave a volume that cannot be"
    return max(volume, 0.0), ""


def _solid(body: Body) -> Any:
    """The body as manifold3d keeps it, or the word for why it cannot."""
    import manifold3d

    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(body.vertices),
        tri_verts=np.ascontiguousarray(body.faces, dtype=np.uint64),
    )
    solid = manifold3d.Manifold(mesh)
    trouble = solid.status().name
    return solid if trouble == "NoError" else trouble


#: What was made of each body, as long as it lives.
_SOLIDS: WeakKeyDictionary[Body, Any] = WeakKeyDictionary()
