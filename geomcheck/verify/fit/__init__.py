"""Second routes for gaps, zones, trims, mates and movements."""
