"""What is said of pairs of parts, recalled where neither part has changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from geomcheck.finding import Finding, Verdict
from geomcheck.project.assembly import Assembly
from geomcheck.project.clearances import Clearances, Question, answer
from geomcheck.project.recall import recalled, recalled_text


def recalled_pair(
    assembly: Assembly,
    check: str,
    question: Question,
    ask: Callable[[Assembly], Finding | Iterable[Finding]],
) -> Iterator[Finding]:
    """Findings of one check on one pair.

    Parameters
    ----------
    assembly : Assembly
    check : str
        Code of the check that asks.
    question : Question
    ask : callable
        Answers it, from an assembly that has the two parts only.
    """
    names = (question.a.name, question.b.name)
    yield from recalled(assembly, check, names, names, ask)


def recalled_verdict(assembly: Assembly, settings: Clearances, question: Question) -> Verdict:
    """Whether a pair keeps its gap, measured only where it is not known."""
    names = (question.a.name, question.b.name)

    def ask(alone: Assembly) -> str:
        return answer(alone, settings, question).verdict(question.need).value

    return Verdict(recalled_text(assembly, "verdict", names, names, ask))
