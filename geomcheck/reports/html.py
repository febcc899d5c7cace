"""The result as one page: verdict tables, cards with pictures and curves, parts, explanations.

The page is complete in itself: style, pictures and curves are inside it, there is no script, and
its content security policy allows nothing from elsewhere. All text is escaped: names come from
users' files.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from geomcheck.finding import Finding, Result, Verdict
from geomcheck.mesh.threads import THREADS
from geomcheck.project.assembly import Assembly
from geomcheck.reports import cards, words
from geomcheck.reports.files import write_text
from geomcheck.reports.page import data_address, render
from geomcheck.reports.sums import sums

#: A pass that keeps its limit by more than this share of it gets no picture.
_SCANT = 0.5
#: Bytes of pictures a page may hold, as written in it; further ones are left out, passes first,
#: and the page says so.
_BUDGET = 9_000_000
#: What gets a picture whatever its numbers: all that did not pass.
_SHOWN = (*cards.OPEN, Verdict.WAIVED)
_PARAGRAPH = re.compile(r"\n\s*\n")
_SHOWN_PARAGRAPHS = ("what:", "why:", "remedy:")


def write_html(
    result: Result,
    assemblies: Mapping[str, Assembly],
    path: Path,
    *,
    explanations: Mapping[str, str] | None = None,
    pictures: bool = True,
) -> None:
    """Write the page to ``path``, whole or not at all.

    Parameters
    ----------
    result : Result
    assemblies : mapping of str to Assembly
        The placed parts of each vehicle, for the pictures.
    path : Path
    explanations : mapping of str to str, optional
        What, why and remedy of each check, by code.
    pictures : bool
        Whether to draw pictures of the places; the area curves are always there.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    text = to_html(result, assemblies, explanations=explanations, pictures=pictures)
    write_text(path, text)


def to_html(
    result: Result,
    assemblies: Mapping[str, Assembly],
    *,
    explanations: Mapping[str, str] | None = None,
    pictures: bool = True,
) -> str:
    """Make the page; see :func:`write_html`. The same result gives the same page."""
    from geomcheck.reports.curves import area_curve

    shown = cards.views(result, assemblies)
    drawn = _pictures(result, assemblies) if pictures else {}
    curves = {}
    for finding in result.findings:
        drawing = area_curve(finding)
        if drawing is not None:
            curves[id(finding)] = data_address(drawing.encode("utf-8"), "image/svg+xml")
    used = sorted({finding.code for finding in result.findings})
    worst = result.findings[0].verdict if result.findings else Verdict.NOT_APPLICABLE
    return render(
        "page.html",
        result=result,
        vehicles=shown,
        summed={vehicle.anchor: sums(vehicle.cards) for vehicle in shown},
        sentence=words.sentence_of_counts(result.findings),
        counts=[
            (words.verdict_symbol(verdict), words.verdict_word(verdict), cards.style_of(verdict), n)
            for verdict, n in words.count_verdicts(result.findings).items()
        ],
        worst=cards.style_of(worst),
        symbol=words.verdict_symbol(worst),
        exit_meaning=words.exit_meaning(result.exit_code),
        pictures=drawn,
        left_out=sum(not address for address in drawn.values()),
        curves=curves,
        shared=_shared([*drawn.values(), *curves.values()]),
        explained=[
            (code, _paragraphs(explanations[code])) for code in used if code in (explanations or {})
        ]
        if explanations
        else [],
    )


def _pictures(result: Result, assemblies: Mapping[str, Assembly]) -> dict[int, str]:
    """Pictures as data addresses, by the identity of the finding, worst findings first.

    One that the page has no room for is an empty address.
    """
    from geomcheck.reports.still import picture

    wanted = [finding for finding in worth_a_picture(result) if finding.vehicle in assemblies]
    with ThreadPoolExecutor(THREADS) as pool:
        drawn = list(pool.map(lambda f: picture(f, assemblies[f.vehicle].parts), wanted))
    found: dict[int, str] = {}
    spent = 0
    known: set[str] = set()
    for finding, png in zip(wanted, drawn, strict=True):
        if png is None:
            continue
        address = data_address(png, "image/png")
        if address not in known:
            spent += len(address)
            known.add(address)
        found[id(finding)] = address if spent <= _BUDGET else ""
    return found


def worth_a_picture(result: Result) -> list[Finding]:
    """Findings that get a picture: what did not pass, then the least pass of each check.

    Of each vehicle, that is. A pass along a path that is drawn already gets none: it would be the
    same picture.
    """
    wanted = [finding for finding in result.findings if finding.verdict in _SHOWN]
    paths = [_path(finding) for finding in wanted]
    groups: dict[tuple[str, str], tuple[float, int]] = {}
    for number, finding in enumerate(result.findings):
        room = cards.margin(finding)
        if finding.verdict is not Verdict.PASS or room is None or not finding.witnesses:
            continue
        if room < _SCANT and (_path(finding) is None or _path(finding) not in paths):
            key = (finding.vehicle, finding.code)
            groups[key] = min(groups.get(key, (math.inf, 0)), (room, number))
    least = sorted(number for _, number in groups.values())
    return wanted + [result.findings[number] for number in least]


def _path(finding: Finding) -> tuple[str, Any] | None:
    """The vehicle and the ends of the path a finding is drawn along, to 0.1 mm; None for none."""
    path = finding.details.get("path")
    if not path or "tool" in finding.details:
        return None
    return finding.vehicle, [[round(float(x), 1) for x in path[end]] for end in (0, -1)]


def _shared(addresses: Iterable[str]) -> dict[str, str]:
    """Names, by address, of pictures that stand in the page more than once."""
    times = Counter(address for address in addresses if address)
    often = [address for address, count in times.items() if count > 1]
    return {address: f"shown-{number}" for number, address in enumerate(often, 1)}


def _paragraphs(text: str) -> list[tuple[str, list[tuple[str, bool]]]]:
    """The title, and the paragraphs What, Why and Remedy, each as a head and runs of text.

    A run is text and whether it stands in double backquotes.
    """
    blocks: list[Any] = [" ".join(block.split()) for block in _PARAGRAPH.split(text.strip())]
    found = []
    for number, block in enumerate(blocks):
        head, body = "", block
        if block.lower().startswith(_SHOWN_PARAGRAPHS):
            head, body = block.split(":", 1)
        elif number > 0:
            continue
        body = body.strip()
        runs = [(run, k % 2 == 1) for k, run in enumerate(body.split("``")) if run]
        found.append((head, runs))
    return found
