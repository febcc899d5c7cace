"""Geometry of the second route, in plain numpy over all triangles."""
