"""Re-check of what is said of the parts themselves: triangles, size, closedness, placement."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import MILLIMETRES
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit import NEAR
from geomcheck.verify.scene import Scene, best_fit, read
from geomcheck.verify.simple import FloatArray, distance_to


def sound(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Triangles, size and whether every edge has two triangles, one each way."""
    entry, _ = scene.entry(finding.vehicle, finding.parts[0])
    unit = MILLIMETRES[entry.unit or scene.project.document.unit]
    mesh = read(scene.project.file.parent / entry.file) * unit
    told = finding.details
    yield confirm("triangles", len(mesh) == told["triangles"], f"{len(mesh)}")
    size = mesh.max(axis=(0, 1)) - mesh.min(axis=(0, 1))
    off = float(np.abs(size - np.array(told["size"])).max())
    yield confirm("size", off <= NEAR, f"{size[0]:.3f} x {size[1]:.3f} x {size[2]:.3f} mm")
    closed = is_closed(mesh)
    if told["class"] == "closed":
        yield confirm("closed", closed, "every edge once each way" if closed else "edges are open")
    elif told["class"] == "open":
        yield confirm("open", not closed, "an edge has no partner" if not closed else "it closes")
    else:
        yield left_open("class", f"{told['class']}: not worked out again")
    if closed and finding.verdict is Verdict.PASS:
        a, b, c = (mesh[:, k] - mesh[0, 0] for k in range(3))
        volume = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
        yield confirm("faces outwards", volume > 0.0, f"{volume / 1000.0:.2f} cm3")
    if entry.size is not None:
        far = float(np.abs(size - np.array(entry.size)).max())
        if finding.verdict is Verdict.PASS:
            holds = far <= entry.size_tolerance + NEAR
            yield confirm("declared size", holds, f"{far:.3f} mm off")
    for number, point in enumerate(entry.on_surface, 1):
        away = distance_to(np.array(point), mesh)
        if finding.verdict is Verdict.PASS:
            holds = away <= entry.on_surface_tolerance + NEAR
            yield confirm(f"on_surface point {number}", holds, f"{away:.3f} mm off it")
    if finding.verdict is not Verdict.PASS:
        yield left_open("fault", "what is wrong is not worked out again")


def is_closed(mesh: FloatArray) -> bool:
    """Whether each edge is passed as often one way as the other."""
    corners = np.ascontiguousarray(mesh.reshape(-1, 3) + 0.0)
    number = np.unique(corners, axis=0, return_inverse=True)[1].reshape(-1, 3)
    begin, end = number.ravel(), number[:, [1, 2, 0]].ravel()
    differ = begin != end
    begin, end = begin[differ], end[differ]
    count = int(number.max()) + 1
    there, ways = np.unique(
        np.minimum(begin, end) * count + np.maximum(begin, end), return_inverse=True
    )
    net = np.zeros(len(there))
    np.add.at(net, ways, np.where(begin < end, 1.0, -1.0))
    return bool((net == 0.0).all())


def standing(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Residuals of datum points, by a fit of its own."""
    entry, _ = scene.entry(finding.vehicle, finding.parts[0])
    datums = entry.place.datums
    told = finding.details.get("residuals")
    if not datums or told is None or entry.refine is not None or len(told) != len(datums):
        yield left_open("placement", "not by datum points of the part alone")
        return
    points = np.array([pair.part for pair in datums])
    targets = np.array([pair.at for pair in datums])
    turn, shift = best_fit(points, targets)
    off = np.linalg.norm(points @ turn.T + shift - targets, axis=1)
    holds = bool(np.abs(off - np.array(told)).max() <= 1e-4)
    yield confirm("residuals", holds, ", ".join(f"{x:.3f}" for x in off) + " mm")
    if finding.quantity is not None and finding.quantity.name == "residual":
        worst = float(off.max())
        words = f"worst {worst:.6f} mm against {finding.quantity.value:.6f} mm"
        yield confirm("value", abs(worst - finding.quantity.value) <= 1e-4, words)
