"""Volume that two bodies have in common.

Computed by manifold3d's boolean intersection. Booleans fail on meshes that are not clean, so this
is a figure for the reader; no verdict rests on it.
"""

from __future__ import annotations

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
    import manifold3d

    solids = []
    for body in (a, b):
        mesh = manifold3d.Mesh64(
            vert_properties=np.ascontiguousarray(body.vertices),
            tri_verts=np.ascontiguousarray(body.faces, dtype=np.uint64),
        )
        solid = manifold3d.Manifold(mesh)
        if solid.status() != manifold3d.Error.NoError:
            return None, f"the boolean does not accept the mesh ({solid.status().name})"
        solids.append(solid)
    common = solids[0] ^ solids[1]
    if common.status() != manifold3d.Error.NoError:
        return None, f"the boolean failed ({common.status().name})"
    volume = float(common.volume())
    largest = min(float(solid.volume()) for solid in solids)
    if not (np.isfinite(volume) and -1e-9 * largest <= volume <= largest * (1.0 + 1e-9)):
        return None, "the boolean gave a volume that cannot be"
    return max(volume, 0.0), ""
