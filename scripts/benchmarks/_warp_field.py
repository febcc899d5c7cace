"""The kernel warp compiles for the benchmark of distance fields."""

import warp


@warp.kernel
def nearest(mesh: warp.uint64, points: warp.array(dtype=warp.vec3), out: warp.array(dtype=float)):
    """Distance of each point from the mesh."""
    k = warp.tid()
    found = warp.mesh_query_point_no_sign(mesh, points[k], 1.0e6)
    at = warp.mesh_eval_position(mesh, found.face, found.u, found.v)
    out[k] = warp.length(at - points[k])
