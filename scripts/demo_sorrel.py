"""Neighbours of the housing in the invented Sorrel van, in the housing's axes."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
from demo_layout import AXIS_Z, FRONT_X, along_x
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
    sheet,
    tube,
    wheel,
)
from demo_shapes import box, circle, loft, prism, rod, turned, union

BELT_GAP = 14.0
BELT_X = (FRONT_X + BELT_GAP, FRONT_X + BELT_GAP + 24.0)
WHEELS = ((0.0, AXIS_Z, 40.0), (40.0, -190.0, 75.0), (-110.0, -40.0, 32.0))
SEED = 24
PORT_OFF = 1.5  # the adapter's port, along x
HOLE_OFF = 1.2  # the adapter's hole for screw M7, along y


def bonnet() -> m3.Manifold:
    """Short sloping bonnet, higher than the hatch's."""
    xs, ys = np.linspace(-120, 470, 37), np.linspace(-300, 260, 41)

    def height(x: Array, y: Array) -> Array:
        rib = np.maximum(hat(x, 0.0, 40.0, 40.0), hat(x, 380.0, 40.0, 40.0))
        return np.asarray(244.0 - 0.05 * x - 1.5e-4 * y**2 - 9.0 * rib)

    return panel(grid(xs, ys, height), 1.2)


def bulkhead_scan() -> Array:
    """(m, 3, 3) the bulkhead as scanned: one side only, noisy, ragged, with holes."""
    noise = np.random.default_rng(SEED)
    ys, zs = np.linspace(-290, 250, 64), np.linspace(-110, 215, 42)

    def depth(y: Array, z: Array) -> Array:
        dent = 14.0 * np.exp(-(((y - 90.0) / 60.0) ** 2) - ((z - 60.0) / 45.0) ** 2)
        wave = 3.0 * np.sin(y / 37.0) + 6.0 * hat(z, 150.0, 30.0, 20.0)
        return np.asarray(-124.0 - dent + wave + 0.12 * noise.standard_normal(y.shape))

    corners = grid(ys, zs, depth)
    inner = corners[1:-1, 1:-1, :2]
    inner += noise.uniform(-1.5, 1.5, inner.shape)
    tri = sheet(corners)[..., [2, 0, 1]]
    middle = tri.mean(axis=1)
    keep = noise.uniform(size=len(tri)) > 0.004
    for y, z, r in ((-150.0, 20.0, 26.0), (60.0, 160.0, 17.0), (200.0, -60.0, 33.0)):
        keep &= np.hypot(middle[:, 1] - y, middle[:, 2] - z) > r
    keep &= middle[:, 2] < 205.0 + 8.0 * np.sin(middle[:, 1] / 23.0)
    return np.asarray(tri[keep])


def fuel_rail() -> m3.Manifold:
    """Fuel rail with four injectors on the right."""
    parts = [rounded_box((70.0, 178.0, -30.0), (350.0, 200.0, -8.0), 5.0)]
    for x in (110.0, 180.0, 250.0, 320.0):
        parts.append(rod(9.0, -86.0, -20.0, 32).translate((x, 189.0, 0.0)))
        parts.append(box((x - 6.0, 189.0, -68.0), (x + 6.0, 210.0, -52.0)))
    return union(parts) + tube([(60.0, 189.0, -19.0), (72.0, 189.0, -19.0)], 1.0, 6.0)


def exhaust() -> m3.Manifold:
    """Exhaust turbine housing with its outlet, on the left."""
    around = np.linspace(0.0, 1.75 * np.pi, 40)
    ring = circle(1.0, 32)
    rings = []
    for a in around:
        r, big = 14.0 + 3.2 * a, 46.0
        out = np.array([np.cos(a), 0.0, np.sin(a)])
        middle = np.array([230.0, -250.0, -20.0]) + big * out
        rings.append(middle + r * (ring[:, :1] * out + ring[:, 1:] * np.array([0.0, 1.0, 0.0])))
    core = rod(40.0, -26.0, 26.0, 64).rotate((90.0, 0.0, 0.0)).translate((230.0, -250.0, -20.0))
    outlet = tube(
        [(230.0, -270.0, -20.0), (230.0, -330.0, -20.0), (230.0, -350.0, -130.0)], 40.0, 27.0
    )
    return union([loft(np.stack(rings), flat=ring), core, outlet])


def heat_shield() -> m3.Manifold:
    """Plain curved shield between turbine and throttle body."""

    def bulge(x: Array, z: Array) -> Array:
        return np.asarray(-178.0 + 2.0e-4 * (x - 240.0) ** 2 + 3.0 * hat(z, -10.0, 10.0, 10.0))

    corners = grid(np.linspace(135, 370, 21), np.linspace(-100, 60, 25), bulge)
    swap = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [0, 1, 0, 0]], dtype=float)
    return panel(corners[:, ::-1], 0.8).transform(swap)


def intake_adapter() -> m3.Manifold:
    """Joint plate on a straight-sided plenum."""
    low = rounded_box((60.0, -70.0, -70.0), (306.0, 70.0, -17.0), 20.0)
    plate = joint_plate(18.0, PORT_OFF, {"M7": HOLE_OFF})
    return (plate + low) - rounded_box((72.0, -58.0, -62.0), (294.0, 58.0, -10.0), 14.0)


def expansion_tank() -> m3.Manifold:
    """Coolant tank at the right rear."""
    body = rounded_box((-70.0, 170.0, 40.0), (50.0, 250.0, 130.0), 18.0)
    seam = rounded_box((-73.0, 167.0, 82.0), (53.0, 253.0, 87.0), 20.0)
    cap = turned(
        np.array([(16.0, 128.0), (16.0, 138.0), (23.0, 138.0), (23.0, 152.0), (20.0, 155.0)]), 48
    )
    return union([body, seam, cap.translate((-10.0, 210.0, 0.0))])


def wiring_duct() -> m3.Manifold:
    """Wiring duct along the right side."""
    outer = rounded_box((70.0, 152.0, 40.0), (350.0, 182.0, 62.0), 4.0)
    bands = [box((x, 150.0, 38.0), (x + 8.0, 184.0, 64.0)) for x in (90.0, 210.0, 330.0)]
    return union([outer, *bands])


def coolant_hose() -> m3.Manifold:
    """Coolant hose in front, under the snout."""
    return tube(
        [(378.0, -260.0, -40.0), (378.0, -120.0, -40.0), (392.0, 60.0, -10.0),
         (392.0, 250.0, 60.0)],
        60.0, 17.0,
    )  # fmt: skip


def vacuum_pump() -> m3.Manifold:
    """Vacuum pump at the left front."""
    body = along_x(rod(34.0, 350.0, 398.0, 64).translate((-190.0, 60.0, 0.0)))
    foot = prism(
        disc(374.0, -190.0, 20.0).union(ribbon([(374.0, -190.0), (374.0, -250.0)], 24.0)), 0.0, 40.0
    )
    return body + foot


def parts() -> dict[str, m3.Manifold]:
    """Every closed neighbour by file name; the scan stands alone."""
    return {
        "bonnet": bonnet(),
        "fuel_rail": fuel_rail(),
        "exhaust": exhaust(),
        "heat_shield": heat_shield(),
        "intake_adapter": intake_adapter(),
        "expansion_tank": expansion_tank(),
        "wiring_duct": wiring_duct(),
        "coolant_hose": coolant_hose(),
        "vacuum_pump": vacuum_pump(),
        "belt": belt(*BELT_X, WHEELS),
        "tensioner": wheel(BELT_X[0] - 2.0, *WHEELS[2], BELT_X[1] - BELT_X[0] + 4.0),
    }
