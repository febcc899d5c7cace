"""What moved on a part, which tools a screw lost, what a duct's estimate won: in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from geomcheck.compare.changes import Change, Comparison, Kind
from geomcheck.compare.flows import FlowChange, flow_changes
from geomcheck.compare.shapes import Moved, PartChange, turned_by
from geomcheck.compare.tools import ToolChange, tool_changes
from geomcheck.finding import Quantity
from geomcheck.mesh.deviation_regions import Region
from geomcheck.reports.words import format_number, format_point, plural
from geomcheck.wording import capital, sentence

#: A direction this near to an axis is told by its name (cosine).
_ALONG = 0.9998
_AXES = ("x", "y", "z")
#: Regions told in full; the rest are counted.
MOST = 12


def headline(part: PartChange) -> str:
    """One sentence about the whole part."""
    where = f" ({', '.join(part.vehicles)})"
    if part.how == "new":
        return f"{part.name}{where}: not in the earlier revision."
    if part.how == "gone":
        return f"{part.name}{where}: not in the later revision."
    shape = part.shape
    assert shape is not None
    greatest = bounded(shape.greatest)
    if shape.motion is not None:
        went, turned = turned_by(shape)
        turn = f", turned by {turned:.2f} degrees" if turned > 5e-3 else ""
        return (
            f"{part.name}{where}: the same shape stands elsewhere, moved by {went:.2f} mm"
            f"{turn}; no point is farther off than {greatest}."
        )
    if not part.moved:
        return (
            f"{part.name}{where}: meshed anew. No place moved by more than the noise band of "
            f"{shape.band:.3f} mm; greatest deviation {greatest}."
        )
    return (
        f"{part.name}{where}: {plural(len(part.moved), 'place')} moved by more than the noise "
        f"band of {shape.band:.3f} mm. Greatest deviation {greatest}, at {_point(shape.at)}; "
        f"mean over both surfaces {bounded(shape.mean, 3)}."
    )


def amounts(part: PartChange) -> list[str]:
    """Material added and removed, and the mass, as sentences."""
    shape = part.shape
    if shape is None:
        return []
    told = []
    if shape.motion is not None:
        pass
    elif shape.added is not None and shape.removed is not None:
        told.append(
            f"Material added {spread(shape.added)}, removed {spread(shape.removed)}. The bounds "
            "are the chord error over what moved."
        )
    elif shape.volume is not None:
        told.append(f"Volume changed by {spread(shape.volume, sign=True)}.")
    if shape.note:
        told.append(f"{capital(shape.note)}.")
    was, now, change = part.masses
    if was is not None and now is not None and change is not None:
        told.append(
            f"Mass {spread(now, 1)}, was {spread(was, 1)}: {spread(change, 1, sign=True)} "
            f"({part.material})."
        )
    elif part.material:
        told.append(f"{capital(part.material)}.")
    return told


def title(moved: Moved) -> str:
    """Where a region is: the thing of the project it is at, or its place."""
    if moved.place is not None:
        return moved.place.words
    return f"at {_point(moved.region.middle)}"


def what(region: Region) -> str:
    """What happened there, with figures."""
    vector = region.shift
    if vector is not None:
        length = float(np.linalg.norm(vector))
        way = direction(vector)
        if region.how == "moved":
            text = f"moved as one by {length:.2f} mm {way}"
        else:
            text = f"a flat face of {region.face or 0.0:.0f} mm2 went {length:.2f} mm {way}"
    elif region.how == "set out" and region.offset is not None:
        text = f"surface set out by {region.offset:.2f} mm, material added all over it"
    elif region.how == "set in" and region.offset is not None:
        text = f"surface set back by {-region.offset:.2f} mm, material removed all over it"
    elif region.how == "added":
        text = f"material added, standing up to {bounded(region.greatest)} proud"
    elif region.how == "removed":
        text = f"material removed, up to {bounded(region.greatest)} deep"
    else:
        text = f"reshaped, by up to {bounded(region.greatest)}"
    told = [text]
    if region.added is not None and region.removed is not None:
        pairs = (("+", region.added), ("-", region.removed))
        volumes = [f"{sign}{q.value:.0f}" for sign, q in pairs if q.value >= 0.5]
        if volumes:
            told.append(f"{' and '.join(volumes)} mm3")
    told.append(f"{region.area:.0f} mm2 of surface")
    return "; ".join(told)


def direction(vector: Any) -> str:
    """``along -z (down)``, or the unit vector."""
    unit = np.asarray(vector) / np.linalg.norm(vector)
    axis = int(np.abs(unit).argmax())
    if abs(unit[axis]) >= _ALONG:
        sign = "-" if unit[axis] < 0 else "+"
        side = "" if axis != 2 else " (down)" if unit[axis] < 0 else " (up)"
        return f"along {sign}{_AXES[axis]}{side}"
    return f"along {_point(unit)}"


def there(changes: Sequence[Change]) -> list[str]:
    """What was measured at a region, finding by finding; the same words once."""
    told: dict[str, list[str]] = {}
    for change in changes:
        finding = change.finding
        text = f"{finding.subject}: {_figures(change)}"
        told.setdefault(text, []).append(finding.vehicle)
    return [f"{text} [{', '.join(dict.fromkeys(names))}]" for text, names in told.items()]


def _figures(change: Change) -> str:
    old, new = change.old, change.new
    word = {
        Kind.BROKEN: "not fulfilled any more",
        Kind.GONE: "not in the new result",
    }.get(change.kind, change.kind.value)
    if old is not None and new is not None and old.quantity and new.quantity:
        unit = new.quantity.unit
        space = "" if unit == "%" else " "
        decimals = 2 if unit == "mm" else 1
        if old.quantity.unit == unit:
            was, now = (format_number(q.value, decimals) for q in (old.quantity, new.quantity))
            return f"{new.quantity.name} {was} to {now}{space}{unit}, {word}"
    only = change.finding.quantity
    if only is not None and (old is None or new is None):
        value = format_number(only.value, 2 if only.unit == "mm" else 1)
        before = "was " if new is None else ""
        space = "" if only.unit == "%" else " "
        return f"{only.name} {before}{value}{space}{only.unit}, {word}"
    return f"{(new or change.finding).code}, {word}"


def tool_words(change: ToolChange) -> list[str]:
    """Tools a screw lost and won."""
    told = []
    if change.lost:
        names = [f"{name} ({why})" if why else name for name, why in change.lost]
        serve = "serves" if change.left == 1 else "serve"
        rest = f"{plural(change.left, 'tool')} still {serve}" if change.left else "no tool is left"
        told.append(f"loses {_listed(names)}; {rest}")
    if change.won:
        names = [f"{name} (was stopped: {why})" if why else name for name, why in change.won]
        told.append(f"wins {_listed(names)}")
    return told


def merged(
    told: Iterable[tuple[str, str, Sequence[str]]],
) -> list[tuple[str, str, list[str]]]:
    """Vehicles, subject and sentences; vehicles of which the same is told go together."""
    found: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for vehicle, subject, texts in told:
        found.setdefault((subject, tuple(texts)), []).append(vehicle)
    return [
        (", ".join(vehicles), subject, list(texts)) for (subject, texts), vehicles in found.items()
    ]


def tools_told(comparison: Comparison) -> list[tuple[str, str, list[str]]]:
    """Vehicles, screw, and the tools it lost and won."""
    return merged((t.vehicle, t.subject, tool_words(t)) for t in tool_changes(comparison))


def flows_told(comparison: Comparison) -> list[tuple[str, str, list[str]]]:
    """Vehicles, duct, and what its estimate won or lost."""
    return merged((f.vehicle, f.subject, flow_words(f)) for f in flow_changes(comparison))


def _listed(names: Sequence[str], most: int = 5) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return f"{', '.join(names[:most])}{more}"


def flow_words(flow: FlowChange) -> list[str]:
    """What the estimate won or lost, and what was let cancel."""
    if flow.why or flow.loss is None:
        return [f"Not compared: {flow.why}."]
    told = []
    for quantity, decimals, less, more in (
        (flow.loss, 3, "loses less total pressure", "loses more total pressure"),
        (flow.mach, 3, "greatest Mach number is lower", "greatest Mach number is higher"),
        (flow.margin, 1, "margin to choking is smaller", "margin to choking is larger"),
    ):
        if quantity is None:
            continue
        word = less if quantity.high < 0.0 else more if quantity.low > 0.0 else ""
        verdict = word or "no difference can be told"
        told.append(f"{quantity.name} {spread(quantity, decimals, sign=True)}: {verdict}")
    flows = "the mass flow is the same in both" if flow.same_flow else "the mass flows differ"
    told.append(
        f"{flow.shared} of {plural(len(flow.shares), 'loss', 'losses')} read the same figures of "
        f"the tables, and {flows}: such common terms cancel, and their spread is not counted twice."
    )
    return [sentence(text) for text in told]


def _point(values: Any) -> str:
    return format_point([float(x) + 0.0 for x in values])


def bounded(quantity: Quantity, decimals: int = 2) -> str:
    """The value, or both bounds where they differ as written."""
    low, high = (format_number(x, decimals) for x in (quantity.low, quantity.high))
    value = format_number(quantity.value, decimals)
    unit = quantity.unit
    return f"{value} {unit}" if low == high else f"{value} {unit} ({low} .. {high})"


def spread(quantity: Quantity, decimals: int = 0, *, sign: bool = False) -> str:
    """The value with its interval."""
    value, low, high = (
        f"{'+' if sign and x > 0 else ''}{format_number(x, decimals)}"
        for x in (quantity.value, quantity.low, quantity.high)
    )
    unit = {"%": "%", "Mach": ""}.get(quantity.unit, f" {quantity.unit}")
    return f"{value}{unit} ({low} .. {high})"
