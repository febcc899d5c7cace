"""Re-check of what is said of the meshes: triangles, size, class, and each kind of fault."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import MILLIMETRES, PartEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import nearest_below
from geomcheck.verify.plain.simple import FloatArray, distance_to, winding
from geomcheck.verify.scene import NotRechecked, Scene, read
from geomcheck.verify.witness import NEAR, closeness

#: Share of the edges between triangles that may clash before facing is undefined.
CLASHING = 0.01
#: A volume below this share of area times size is rounding.
NO_VOLUME = 1e-7
#: Facets looked at in each body, and bodies looked at.
FACETS, BODIES = 6, 60
#: Sizes and places that are unlikely, by what is told of them: the setting that bounds each.
LIKELY = {"longest side": "most_size", "distance from the housing": "most_distance"}
#: Its bound where the project file gives none, mm.
MOST = 10_000.0


def sound(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Triangles, size, class and faults of a mesh; declared size and points."""
    entry, _ = scene.entry(finding.vehicle, finding.parts[0])
    unit = MILLIMETRES[entry.unit or scene.project.document.unit]
    mesh = Body(read(scene.project.file.parent / entry.file) * unit)
    told = finding.details
    count = len(mesh.triangles)
    yield confirm("triangles", count == told["triangles"], f"{count}")
    size = mesh.bounds[1] - mesh.bounds[0]
    off = float(np.abs(size - np.array(told["size"])).max())
    yield confirm("size", off <= NEAR, f"{size[0]:.3f} x {size[1]:.3f} x {size[2]:.3f} mm")
    kind = _kind(mesh)
    yield confirm("class", kind == told["class"], f"{kind}; {told['class']} told")
    bodies = int(mesh.edges.piece.max()) + 1
    yield confirm("bodies", bodies == told["bodies"], f"{bodies}; {told['bodies']} told")
    counts: dict[str, Any] = told.get("counts") or {}
    for name, number in _counts(mesh).items():
        if name in counts:
            yield confirm(name.replace("_", " "), number == counts[name], f"{number}")
    if kind == "closed":
        yield from _facing(scene, finding, mesh, counts)
    if finding.quantity is not None and finding.quantity.name in LIKELY:
        yield from _likely(scene, finding, size)
    else:
        yield from _declared(finding, entry, mesh, size)
    yield from _witnesses(scene, finding)
    if finding.verdict is not Verdict.PASS and finding.quantity is None:
        yield _reason(scene, finding, entry, kind, mesh)


def _volume(mesh: FloatArray) -> float:
    a, b, c = (mesh[:, k] - mesh[0, 0] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _areas(mesh: FloatArray) -> FloatArray:
    across = np.cross(mesh[:, 1] - mesh[:, 0], mesh[:, 2] - mesh[:, 0])
    return np.asarray(0.5 * np.linalg.norm(across, axis=1))


def _kind(mesh: Body) -> str:
    """Closed, open or soup, by the rules told with the class."""
    edges = mesh.edges
    if not len(edges.faces):
        return "soup"
    if edges.closed:
        size = float(np.linalg.norm(mesh.bounds[1] - mesh.bounds[0]))
        area = float(_areas(mesh.triangles).sum())
        empty = abs(_volume(mesh.triangles)) <= NO_VOLUME * area * size
        return "soup" if empty else "closed"
    shared = edges.faces >= 2
    clashing = shared & (edges.net != 0)
    alone = edges.without_partner[edges.proper]
    joined = int((alone < 3).sum())
    if clashing.sum() > CLASHING * max(int(shared.sum()), 1):
        return "soup"
    return "soup" if len(mesh.triangles) > 1 and 2 * joined < len(mesh.triangles) else "open"


def _counts(mesh: Body) -> dict[str, int]:
    edges = mesh.edges
    triangles = mesh.triangles
    step = 4.0 * float(np.spacing(np.float32(np.abs(triangles).max())))
    longest = np.linalg.norm(triangles - np.roll(triangles, -1, axis=1), axis=2).max(axis=1)
    return {
        "boundary_edges": int((edges.faces == 1).sum()),
        "outlines": edges.outlines,
        "crowded_edges": int((edges.faces >= 3).sum()),
        "clashing_edges": int(((edges.faces >= 2) & (edges.net != 0)).sum()),
        "repeated": edges.repeated,
        "zero_area": int((2.0 * _areas(triangles) <= step * longest).sum()),
    }


def _facing(scene: Scene, finding: Finding, mesh: Body, counts: dict[str, Any]) -> Iterator[Claim]:
    """Whether it faces outwards, and whether its bodies lie clear of each other."""
    volume = _volume(mesh.triangles)
    if finding.verdict is Verdict.PASS:
        yield confirm("faces outwards", volume > 0.0, f"{volume / 1000.0:.2f} cm3")
    pieces = int(mesh.edges.piece.max()) + 1
    if volume <= 0.0 or pieces == 1:
        return
    told = int(counts.get("stray_bodies", 0)) + int(counts.get("doubled_bodies", 0))
    what = "bodies clear of each other"
    if pieces > BODIES:
        yield left_open(what, f"there are {pieces}")
        return
    odd, met = _odd(mesh, pieces)
    if not odd and met and not told:
        # Bodies that stand on each other, as boxes do that were put together, are sound.
        yield left_open(what, f"{met} of {pieces} touch or cross another; which, is not told apart")
        return
    words = f"{max(odd, met)} of {pieces} are not, sampled; {told} told"
    yield confirm(what, (max(odd, met) > 0) == (told > 0), words)


def _odd(mesh: Body, pieces: int) -> tuple[int, int]:
    """Bodies without material just behind a facet, or with it twice; and those that meet others."""
    size = float(np.linalg.norm(mesh.bounds[1] - mesh.bounds[0]))
    areas = _areas(mesh.triangles)
    members = [np.flatnonzero(mesh.edges.piece == number) for number in range(pieces)]
    found: set[int] = set()
    met: set[int] = set()
    for number, mine in enumerate(members):
        own = mesh.triangles[mine]
        if abs(_volume(own)) <= NO_VOLUME * areas[mine].sum() * size:
            continue  # flat: it encloses nothing
        large = mine[np.argsort(-areas[mine], kind="stable")[: 4 * FACETS : 4]]
        for row in large:
            middle, step = mesh.triangles[row].mean(axis=0), 1e-6 * size * mesh.normals[row]
            before = winding(middle + step, mesh.triangles)
            behind = winding(middle - step, mesh.triangles)
            if abs(before) > 0.25:
                met.add(number)
            if abs(behind - 1.0) > 0.25:
                found.add(number)
    for one in range(pieces):
        for other in range(one + 1, pieces):
            a, b = mesh.triangles[members[one]], mesh.triangles[members[other]]
            boxed = (a.min(axis=(0, 1)) <= b.max(axis=(0, 1))).all()
            if boxed and (b.min(axis=(0, 1)) <= a.max(axis=(0, 1))).all():
                least, _ = nearest_below(a, b, 1e-9, 4_000_000)
                met |= {one, other} if least is not None else set()
    return len(found), len(met)


def _likely(scene: Scene, finding: Finding, size: FloatArray) -> Iterator[Claim]:
    """That a part is as long, or as far from the housing, as was told."""
    quantity, need = finding.quantity, finding.requirement
    assert quantity is not None
    source, found = LIKELY[quantity.name], float(size.max())
    if source == "most_distance":
        housing = next(p.name for p in scene.project.document.parts if p.role == "housing")
        mine, theirs = (
            scene.triangles(finding.vehicle, name) for name in (finding.parts[0], housing)
        )
        over = mine.min(axis=(0, 1)) - theirs.max(axis=(0, 1))
        under = theirs.min(axis=(0, 1)) - mine.max(axis=(0, 1))
        found = float(np.linalg.norm(np.maximum(np.maximum(over, under), 0.0)))
    near = NEAR * max(1.0, found / 1000.0)
    words = f"{found:.6f} mm; {quantity.value:.6f} mm told"
    yield confirm(quantity.name, abs(found - quantity.value) <= near, words)
    table: Any = scene.project.document.check.get("part-sound", {})
    limit = float(table.get(source, MOST))
    asked = need is not None and need.source == source and need.limit == limit
    yield confirm("limit", asked, f"the project says {limit:g} mm")
    yield confirm("beyond it", found > limit, f"{found:.3f} mm against {limit:g} mm")


def _declared(finding: Finding, entry: PartEntry, mesh: Body, size: FloatArray) -> Iterator[Claim]:
    """The declared size and the points on the surface, and the figure told of them."""
    need, quantity = finding.requirement, finding.quantity
    limits = {"size_tolerance": entry.size_tolerance,
              "on_surface_tolerance": entry.on_surface_tolerance}  # fmt: skip
    if need is not None:
        limit = limits.get(need.source)
        yield confirm("limit", limit == need.limit, f"{need.limit:g} mm; the project says {limit}")
    off = None if entry.size is None else np.abs(size - np.array(entry.size))
    away = [distance_to(np.array(point), mesh.triangles) for point in entry.on_surface]
    if finding.verdict is Verdict.PASS and off is not None:
        holds = float(off.max()) <= entry.size_tolerance + NEAR
        yield confirm("declared size", holds, f"{off.max():.3f} mm off")
    if finding.verdict is Verdict.PASS:
        for number, far in enumerate(away, 1):
            holds = far <= entry.on_surface_tolerance + NEAR
            yield confirm(f"on_surface point {number}", holds, f"{far:.3f} mm off it")
    if quantity is None:
        return
    known = away if quantity.name == "distance off the part" else list(() if off is None else off)
    # Which of several speaks most against it, their facets decide: it is one of them.
    nearest = min((abs(value - quantity.value) for value in known), default=np.inf)
    words = ", ".join(f"{value:.6f}" for value in known) + f" mm; {quantity.value:.6f} mm told"
    yield confirm(quantity.name, nearest <= NEAR, words)
    if finding.verdict is not Verdict.PASS and known and need is not None:
        worst = float(max(known))
        holds = worst >= quantity.value - NEAR
        yield confirm("the worst", holds, f"{worst:.6f} mm at most")


def _witnesses(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """That what is shown lies on the part, but for a point that is off it."""
    if not finding.witnesses:
        if finding.verdict is not Verdict.PASS:
            yield confirm("witness", False, "none is shown")
        return
    try:
        mesh = scene.triangles(finding.vehicle, finding.parts[0])
    except NotRechecked as why:
        yield left_open("witness", why.what)
        return
    near = closeness(scene, finding.vehicle, finding.parts[0])
    apart = [distance_to(np.array(w.point), mesh) for w in finding.witnesses]
    for witness, off in zip(finding.witnesses, apart, strict=True):
        far = 0.0
        if witness.label == "on_surface point" and finding.quantity is not None:
            far = finding.quantity.value
        yield confirm(f"witness {witness.label}", abs(off - far) <= near, f"{off:.6f} mm off it")


def _reason(scene: Scene, finding: Finding, entry: PartEntry, kind: str, mesh: Body) -> Claim:
    """That something is wrong with the mesh which calls for the verdict."""
    wanted = entry.expect or ("closed" if entry.role != "neighbour" else None)
    counts: Any = finding.details.get("counts") or {}
    table: Any = scene.project.document.check.get("part-sound", {})
    reasons = []
    if wanted is not None and kind != wanted:
        reasons.append(f"it is {kind}, not {wanted}")
    if kind == "closed" and _volume(mesh.triangles) < 0.0:
        reasons.append("it faces inwards")
    if counts.get("stray_bodies"):
        reasons.append("bodies face inwards")
    if counts.get("doubled_bodies") and not table.get("allow_doubled_bodies", False):
        reasons.append("bodies lie in one another")
    if _counts(mesh)["zero_area"] and not table.get("allow_zero_area", True):
        reasons.append("triangles have no area")
    return confirm("reason", bool(reasons), "; ".join(reasons) or "nothing is wrong with it")
