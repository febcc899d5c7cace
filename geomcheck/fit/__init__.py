"""Does it fit: gap, overlap, and faces that are meant to touch."""
