"""Pictures of findings, drawn in memory: no display, no GPU, the same pixels every time."""

from geomcheck.reports.still.picture import picture

__all__ = ["picture"]
