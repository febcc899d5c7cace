"""Which checks a fault is put to, in which order: those meant for it, the others, the slow ones."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from geomcheck.prove.faults import Fault, Kind

_GAPS = ("fit-mate", "fit-gap")
_BOLTS = ("fasten-length", "fasten-holes", "fasten-pattern", "fasten-reach", "fasten-withdraw")
_PARTS = (("part-sound",), _GAPS)
#: Checks that are asked first: those that are meant for such a fault.
MEANT: Mapping[Kind, tuple[tuple[str, ...], ...]] = {
    Kind.GROWN_NEAR: (_GAPS,),
    Kind.GROWN: (_GAPS,),
    Kind.SUNK: (("fit-mate",),),
    Kind.PORT: (("fit-ports",), _GAPS),
    Kind.DUCT: (("flow-area",),),
    Kind.SHIFTED: (("part-sound",), _GAPS),
    Kind.MIRRORED: _PARTS,
    Kind.SWAPPED: _PARTS,
    Kind.LEFT_OUT: _PARTS,
    Kind.SHRUNK: _PARTS,
    Kind.STALE: _PARTS,
    Kind.UNIT: _PARTS,
    Kind.TRIANGLE: _PARTS,
    Kind.BOLT_MOVED: (_BOLTS,),
    Kind.BOLT_TILTED: (_BOLTS,),
    Kind.BOLT_LENGTH: (("fasten-length", "fasten-withdraw"),),
    Kind.HOLE: (_BOLTS,),
    Kind.HOLE_MOVED: (_BOLTS,),
    Kind.PLUG: (("fasten-connector",),),
}
#: Asked last: they take a second or more each.
_SLOW = ("flow-", "fit-movement", "fasten-order")
#: What an entry of a bolt or a plug says is read by these alone.
_ENTRIES = "fasten-"


def stages(fault: Fault, codes: Iterable[str]) -> Iterator[tuple[str, ...]]:
    """Checks in the order in which they are asked, each once; all that can answer.

    Parameters
    ----------
    fault : Fault
    codes : iterable of str
        All checks there are.
    """
    known = [code for code in codes if not fault.entry or code.startswith(_ENTRIES)]
    left = dict.fromkeys(known)
    for stage in MEANT[fault.kind]:
        only = tuple(code for code in stage if code in left)
        for code in only:
            del left[code]
        if only:
            yield only
    slow = tuple(code for code in left if code.startswith(_SLOW))
    quick = tuple(code for code in left if code not in slow)
    yield from (some for some in (quick, slow) if some)
