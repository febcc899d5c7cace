"""Parts in the pose a finding tells of, and where they stand otherwise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from geomcheck.finding import Finding
from geomcheck.mesh.part import Part
from geomcheck.mesh.placement import apply
from geomcheck.reports import palette
from geomcheck.reports.still.layer import Layer

#: Opacity of a part where it stands, drawn behind itself in the pose.
REST_OPACITY = 0.3
#: Note on its label.
AT_REST = "as it stands"


def posed(finding: Finding, parts: Mapping[str, Part]) -> tuple[dict[str, Part], list[Layer]]:
    """Parts in the pose of a finding.

    Parameters
    ----------
    finding : Finding
        ``details["maps"]``, if any, holds a 4 x 4 matrix by part: from where it stands, in the
        housing frame, to the pose; ``details["left_out"]`` names parts that are not there in it.
    parts : mapping of str to Part

    Returns
    -------
    parts : dict of str to Part
        Those with a map moved by it, without those left out; their order kept.
    rest : list of Layer
        The moved ones where they stand, ghosted.
    """
    found = finding.details.get("maps")
    maps = found if isinstance(found, Mapping) else {}
    gone = finding.details.get("left_out", ())
    out, rest = {name: part for name, part in parts.items() if name not in gone}, []
    for name, rows in maps.items():
        matrix = np.array(rows, dtype=np.float64)
        part = parts.get(name)
        if part is None or np.array_equal(matrix, np.eye(4)):
            continue
        out[name] = replace(part, vertices=apply(matrix, part.vertices))
        layer = Layer(
            name,
            part.triangles,
            palette.GHOST,
            REST_OPACITY,
            part.closed,
            part.closed,
            AT_REST,
        )
        rest.append(layer)
    return out, rest
