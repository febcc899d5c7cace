"""Questions about distances, asked of triangle trees.

Shapes are ``TriangleTree``, ``trimesh.Trimesh`` or (n, 3, 3) arrays of corner points in mm, in
one common frame. Triangle numbers in answers are the caller's. Answers are the same on any
number of threads.
"""

from geomcheck.mesh.pairs import Crossings, crossing_pairs, least_distance, near_masks
from geomcheck.mesh.poses import PoseDistances, pose_distances, pose_rounding, poses_collide
from geomcheck.mesh.probe import PointDistance, first_hit, point_distance, winding_number
from geomcheck.mesh.tree import rounding
from geomcheck.mesh.walk import Nearest

__all__ = [
    "Crossings",
    "Nearest",
    "PointDistance",
    "PoseDistances",
    "crossing_pairs",
    "first_hit",
    "least_distance",
    "near_masks",
    "point_distance",
    "pose_distances",
    "pose_rounding",
    "poses_collide",
    "rounding",
    "winding_number",
]
