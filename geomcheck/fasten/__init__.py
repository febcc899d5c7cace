"""Can it be put on: does a tool stand on each fastener, and can the fastener be drawn.

Everything here works in the fastener's own frame: origin at the centre of the seat under the
head, z along the axis towards the tool, mm.
"""

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import Reach, reach
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.toolbox import built_in_tools, choose_tools
from geomcheck.fasten.tools import Bar, Tool
from geomcheck.fasten.withdraw import Withdrawal, withdraw

__all__ = [
    "Bar",
    "Fastener",
    "Obstacle",
    "Reach",
    "Seat",
    "Surroundings",
    "Tool",
    "Withdrawal",
    "built_in_tools",
    "choose_tools",
    "examine_seat",
    "reach",
    "withdraw",
]
