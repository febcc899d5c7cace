"""Second routes for meshes and placements."""
