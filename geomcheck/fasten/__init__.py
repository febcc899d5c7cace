"""Can it be put on: tools on fasteners, their ways in and out, plugs, the vehicle's service points.

Everything here works in the fastener's own frame: origin at the centre of the seat under the
head, z along the axis towards the tool, mm.
"""

from geomcheck.fasten.access import Access, access
from geomcheck.fasten.connector import Connector
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.holes import Hole, find_holes
from geomcheck.fasten.lean import lean_access
from geomcheck.fasten.loading import Loading, loading
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.plugging import Plugging, plugging
from geomcheck.fasten.reach import Reach, reach
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.service import Served, tools_served, way_served
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.toolbox import built_in_tools, choose_tools
from geomcheck.fasten.tools import Bar, Tool
from geomcheck.fasten.withdraw import Withdrawal, withdraw

__all__ = [
    "Access",
    "Bar",
    "Connector",
    "Fastener",
    "Hole",
    "Loading",
    "Obstacle",
    "Plugging",
    "Reach",
    "Seat",
    "Served",
    "Surroundings",
    "Tool",
    "Withdrawal",
    "access",
    "built_in_tools",
    "choose_tools",
    "examine_seat",
    "find_holes",
    "lean_access",
    "loading",
    "plugging",
    "reach",
    "tools_served",
    "way_served",
    "withdraw",
]
