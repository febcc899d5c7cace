"""Second routes for ducts and their ports."""
