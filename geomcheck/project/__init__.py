"""The project file, read and understood: entries, names, lines, and the assembly of a vehicle."""
