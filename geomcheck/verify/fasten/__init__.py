"""Second routes for bolts, tools, plugs, service points and the order of work."""
