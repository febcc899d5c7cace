"""Does it breathe: open area along a flow path, throat, restrictions, losses of area."""
