"""Neighbours of the housing in the invented Juniper hatch, in the housing's axes."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
from demo_layout import (
    AXIS_Z,
    BRACKET,
    EAR_BOLT,
    FLANGE_REAR,
    FUEL_LINE_X,
    REAR_BOLT,
    B,
    along_x,
)
from demo_panels import (
    Array,
    belt,
    disc,
    grid,
    hat,
    joint_plate,
    panel,
    ribbon,
    rounded_box,
    step,
    tube,
    wheel,
)
from demo_shapes import box, prism, rod, union
from shapely.geometry import Polygon

BONNET_GAP = 6.0
FUEL_GAP = 31.0  # from the manifold flange's rear edge
FUEL_RADIUS = FLANGE_REAR - FUEL_GAP - FUEL_LINE_X
OVERLAP = 2.0  # depth of the alternator bracket in the housing's rib
CLIP = ((182.0, 94.0, 5.5), (194.0, 100.0, 10.5))
AIRCON_HEIGHT = 56.0  # lower side of the pipe over the seat of screw M5
VENT_HEIGHT = 56.0  # lower side of the vent pipe over the seat of screw M4
HOSE_OFF, HOSE_HEIGHT = 5.0, 24.0  # vacuum hose beside the rear bolt's axis, and over its seat
HOSE_RADIUS = 6.0
FILLER_OFF = 24.0  # oil filler's axis from that of the ear's bolt
MANIFOLD_END = 420.0  # x of the exhaust manifold's flat front end
MANIFOLD_GAP = 14.0  # from there to the heat shield's fold, cold
BELT_X = (425.0, 447.0)
WHEELS = ((0.0, AXIS_Z, 40.0), (-15.0, -170.0, 68.0), (120.0, -60.0, 30.0))


def bonnet() -> m3.Manifold:
    """Inner panel of the bonnet, its middle rib's floor flat over the top boss."""
    floor = B.top + BONNET_GAP
    xs = np.unique(np.concatenate([np.linspace(-120, 480, 31), [210, 350]]))
    ribs = [np.linspace(m - 50, m + 50, 13) for m in (-190.0, 0.0, 160.0)]
    ys = np.unique(np.round(np.concatenate([np.linspace(-300, 230, 12), *ribs]), 3))

    def height(x: Array, y: Array) -> Array:
        skin = 212.0 - 1.1e-4 * (x - 150.0) ** 2 - 1.6e-4 * (y + 20.0) ** 2
        middle = hat(y, 0.0, 50.0, 22.0) * step(x, 40.0, 140.0) * (1.0 - step(x, 400.0, 450.0))
        outer = np.maximum(hat(y, -190.0, 30.0, 25.0), hat(y, 160.0, 30.0, 25.0))
        cross = hat(x, 20.0, 24.0, 24.0) * (1.0 - middle)
        skin = skin - 14.0 * np.maximum(outer, 0.8 * cross)
        return np.asarray(np.where(middle >= 1.0, floor, skin + (floor - skin) * middle))

    return panel(grid(xs, ys, height), 1.2)


def bulkhead() -> m3.Manifold:
    """Pressed bulkhead behind the housing."""

    def depth(y: Array, z: Array) -> Array:
        bead = hat(z, 20.0, 20.0, 14.0) + hat(z, 110.0, 20.0, 14.0)
        return np.asarray(-112.0 - 2.5e-4 * y**2 + 8.0 * bead * step(y, -240, -200))

    corners = grid(np.linspace(-300, 240, 19), np.linspace(-120, 185, 40), depth)
    return panel(corners, 1.0).transform(
        np.array([[0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0]], dtype=float)
    )


def fuel_line() -> m3.Manifold:
    """Fuel line behind the manifold flange, at the height of its lower edge."""
    x = FUEL_LINE_X
    return tube(
        [(x, 60.0, 0.0), (x, -60.0, 0.0), (x - 20.0, -150.0, 0.0), (60.0, -290.0, 0.0)],
        30.0, FUEL_RADIUS,
    ) + tube([(x, 60.0, 0.0), (x, 200.0, 0.0), (120.0, 260.0, 0.0)], 30.0, FUEL_RADIUS)  # fmt: skip


def heat_shield() -> m3.Manifold:
    """Beaded heat shield on the left, its front end folded round the end of the manifold."""

    def bulge(x: Array, z: Array) -> Array:
        bead = hat(z, -30.0, 8.0, 8.0) + hat(z, 20.0, 8.0, 8.0)
        return np.asarray(-172.0 + 4.0 * bead * step(x, 145.0, 155.0) + 1.5e-4 * (x - 260.0) ** 2)

    corners = grid(np.linspace(135, 400, 15), np.linspace(-90, 70, 33), bulge)
    flip = corners[..., [0, 2, 1]]
    swap = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [0, 1, 0, 0]], dtype=float)
    sheet = panel(flip[..., [0, 2, 1]][:, ::-1], 0.8).transform(swap)
    wall = MANIFOLD_END + MANIFOLD_GAP
    fold = [
        box((394.0, -169.6, -90.0), (wall + 0.8, -168.8, 70.0)),
        box((wall, -252.0, -90.0), (wall + 0.8, -168.8, 70.0)),
    ]
    return union([sheet, *fold])


def exhaust_manifold() -> m3.Manifold:
    """Four pipes into one, which ends flat in front."""
    parts = [tube([(110.0, -225.0, -60.0), (MANIFOLD_END, -225.0, -60.0)], 20.0, 26.0)]
    for x in (140.0, 210.0, 280.0, 350.0):
        parts.append(
            tube([(x, -130.0, -130.0), (x, -190.0, -130.0), (x + 15.0, -225.0, -60.0)], 25.0, 19.0)
        )
        plate = prism(disc(x, 0.0, 30.0), -6.0, 6.0).rotate((90.0, 0.0, 0.0))
        parts.append(plate.translate((0.0, -132.0, -130.0)))
    return union(parts)


def alternator() -> m3.Manifold:
    """Alternator at the right front."""
    body = rod(56.0, 318.0, 398.0, 72) - union(
        [box((48.0, -2.5, 330.0 + 12 * i), (60.0, 2.5, 336.0 + 12 * i)).rotate((0, 0, 15.0 * k))
         for i in range(5) for k in range(24)]
    )  # fmt: skip
    parts = [body, rod(44.0, 306.0, 410.0, 64), rod(9.0, 400.0, 426.0, 32), rod(27.0, 426.0, 446.0)]
    return along_x(union(parts).translate((206.0, 6.0, 0.0)))


def alternator_bracket() -> m3.Manifold:
    """Bracket whose foot stands in the housing's rib: the planted overlap."""
    face = B.rib - OVERLAP
    line = [(face, 30), (face, 50), (face + 10, 50), (165, 86), (180, 86), (180, 60), (140, 30)]
    plate = prism(Polygon(line), 245.0, 275.0)
    holes = [rod(5.5, 240.0, 280.0, 32).translate((171.0, 73.0, 0.0))]
    holes.append(prism(Polygon([(134, 38), (138, 38), (160, 62), (160, 70)]), 240.0, 280.0))
    return along_x(plate - union(holes))


def clip() -> m3.Manifold:
    """A spring clip drawn in the wrong place: wholly inside the casting's flange."""
    low, high = np.array(CLIP[0]), np.array(CLIP[1])
    slot = box(
        (low[0] + 2.0, low[1] - 1.0, low[2] + 1.5), (high[0] + 1.0, high[1] + 1.0, high[2] - 1.5)
    )
    return box(low, high) - slot


def intake_manifold() -> m3.Manifold:
    """Joint plate, plenum and four runners."""
    parts = [joint_plate(14.0), rounded_box((120.0, -62.0, -96.0), (304.0, 62.0, -15.0), 16.0)]
    hole = rounded_box((132.0, -50.0, -88.0), (292.0, 50.0, -10.0), 12.0)
    for x in (150.0, 194.0, 238.0, 282.0):
        parts.append(tube([(x, 30.0, -64.0), (x, 110.0, -64.0), (x, 150.0, -130.0)], 30.0, 18.0))
    return union(parts) - hole


def heater_pipe() -> m3.Manifold:
    """Heater pipe from the bulkhead, across the right rear screw."""
    return tube(
        [(-108.0, 110.0, 70.0), (-60.0, 110.0, 70.0), (-20.0, 110.0, 48.0), (60.0, 110.0, 48.0),
         (60.0, 230.0, 48.0)],
        24.0, 9.0,
    )  # fmt: skip


def aircon_pipe() -> m3.Manifold:
    """Air conditioning pipe above the right front screw."""
    z = 45.0 + AIRCON_HEIGHT + 9.0
    return tube([(470.0, 110.0, z), (262.0, 110.0, z), (262.0, 250.0, z)], 20.0, 9.0)


def strut_brace() -> m3.Manifold:
    """Flat brace between the strut towers, behind the gear case and over the snout."""
    strip = ribbon([(0.0, -290.0), (20.0, -230.0), (20.0, 220.0)], 34.0)
    return prism(strip, 150.0, 156.0).translate((450.0, 0.0, 0.0))


def vent_pipe() -> m3.Manifold:
    """Vent pipe in a loop above the left front screw."""
    z = 45.0 + VENT_HEIGHT + 5.0
    return tube(
        [(280.0, -250.0, z), (280.0, -112.0, z), (312.0, -112.0, z), (312.0, -250.0, z)], 12.0, 5.0
    )


def vacuum_hose() -> m3.Manifold:
    """Vacuum hose from the bulkhead, down past the rear bolt, almost before its head."""
    x = REAR_BOLT[0] - BRACKET - HOSE_HEIGHT - HOSE_RADIUS
    y = REAR_BOLT[1] + HOSE_OFF
    return tube([(-100.0, y, 140.0), (x, y, 140.0), (x, y, 70.0)], 26.0, HOSE_RADIUS)


def oil_filler() -> m3.Manifold:
    """Oil filler neck with its cap, beside the housing's front ear."""
    neck = union([rod(12.0, -60.0, 8.0, 48), rod(16.0, 4.0, 20.0, 64)])
    return neck.translate((EAR_BOLT[0] + FILLER_OFF, EAR_BOLT[1], 0.0))


def parts() -> dict[str, m3.Manifold]:
    """Every neighbour by file name."""
    return {
        "bonnet": bonnet(),
        "bulkhead": bulkhead(),
        "fuel_line": fuel_line(),
        "heat_shield": heat_shield(),
        "exhaust_manifold": exhaust_manifold(),
        "alternator": alternator(),
        "alternator_bracket": alternator_bracket(),
        "clip": clip(),
        "intake_manifold": intake_manifold(),
        "heater_pipe": heater_pipe(),
        "aircon_pipe": aircon_pipe(),
        "belt": belt(*BELT_X, WHEELS),
        "crank_pulley": wheel(BELT_X[0] - 2.0, *WHEELS[1], BELT_X[1] - BELT_X[0] + 4.0),
        "strut_brace": strut_brace(),
        "vent_pipe": vent_pipe(),
        "vacuum_hose": vacuum_hose(),
        "oil_filler": oil_filler(),
    }
