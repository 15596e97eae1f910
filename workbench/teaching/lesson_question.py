"""A question as it is put to a trainee: its words, its choices, and the right one, worked out when it is needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property


@dataclass(frozen=True)
class LessonQuestion:
    """A question, and a function that gives the right one of its choices with the reason, computed when needed.

    >>> LessonQuestion("One and one?", ("1", "2"), lambda: ("2", "They make two.")).correct
    '2'
    """

    words: str
    choices: tuple[str, ...]
    answer: Callable[[], tuple[str, str]] = field(compare=False)

    @cached_property
    def _reported(self) -> tuple[str, str]:
        return self.answer()

    @property
    def correct(self) -> str:
        """The right one of the choices."""
        return self._reported[0]

    @property
    def because(self) -> str:
        """A sentence with the numbers."""
        return self._reported[1]


@dataclass(frozen=True)
class UnanswerableQuestion:
    """A question that this case and plan cannot answer, and why."""

    because: str
