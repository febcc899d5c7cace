"""Re-check of gaps, overlaps, mates, movements and zones: the routes by name."""

from geomcheck.verify.gap import gap
from geomcheck.verify.mate import mate
from geomcheck.verify.movement import movement
from geomcheck.verify.trim import trim
from geomcheck.verify.witness import NEAR, on_part
from geomcheck.verify.zones import zone

__all__ = ["NEAR", "gap", "mate", "movement", "on_part", "trim", "zone"]
