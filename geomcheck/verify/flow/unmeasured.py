"""Re-check of what could not be measured in a duct: that it is so, and why."""

from __future__ import annotations

import numpy as np
import shapely

from geomcheck.finding import Finding
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.flow.duct import Duct

#: Lengths along the path are written to this, mm.
WRITTEN = 1e-4


def nowhere_measured(duct: Duct) -> Claim:
    """That no section along the path closes."""
    count = 1 + int(np.ceil(duct.line.length / duct.entry.spacing))
    states = {row.state for row in duct.along(np.linspace(0.0, duct.line.length, count))}
    words = f"{count} sections cut anew: {', '.join(sorted(states))}"
    return confirm("no station can be measured", "measured" not in states, words)


def unmeasured(finding: Finding, duct: Duct) -> Claim:
    """That a section cannot be measured where it is said."""
    label, at = finding.witnesses[0].label, np.array(finding.witnesses[0].point)
    s, off = duct.line.nearest(at)
    if off > 1e-3:
        return confirm("place", False, f"{off:.5f} mm off the path")
    row = duct.at(s)
    if label == "tight bend":
        reach = 2.0
        angle = np.radians(duct.line.turned(max(s - reach, 0.0), s + reach))
        flat = shapely.get_coordinates(row.open)
        wide = float(np.linalg.norm(flat, axis=1).max(initial=0.0))
        tight = 2.0 * reach / max(float(angle), 1e-12)
        words = f"radius {tight:.2f} mm, the bore reaches {wide:.2f} mm from the path"
        return confirm("bends more tightly than it is wide", tight <= 1.05 * wide, words)
    states = {duct.at(s + step).state for step in (-2.0 * WRITTEN, 0.0, 2.0 * WRITTEN)}
    return confirm("no section there", label in states, f"cut anew: {', '.join(sorted(states))}")
