"""Answers about two bodies, kept so that several checks and vehicles need not ask again."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Generic, TypeVar
from weakref import WeakKeyDictionary

from geomcheck.fit.body import Body

Answer = TypeVar("Answer")


class Memory(Generic[Answer]):
    """Answers by pair of bodies (which is first matters), as long as both bodies live."""

    def __init__(self) -> None:
        self._known: WeakKeyDictionary[Body, WeakKeyDictionary[Body, dict[Hashable, Answer]]]
        self._known = WeakKeyDictionary()

    def recall(self, a: Body, b: Body, asked: Hashable, ask: Callable[[], Answer]) -> Answer:
        """The answer given before, or that of ``ask``, which must depend on nothing else.

        An answer must not refer to the bodies, or they would never be let go.
        """
        answers = self._known.setdefault(a, WeakKeyDictionary()).setdefault(b, {})
        if asked not in answers:
            answers[asked] = ask()
        return answers[asked]
