"""What a page may ask: each question's name, the shape of its message, and the function that answers it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event
from typing import Any

from workbench.rehearsal.desk import Desk

Json = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Job:
    """One question on its way: where its progress is told, and whether it was called off.

    Parameters
    ----------
    tell : takes (done, total, what is being done); may be called from any thread
    stop : set when the page no longer wants the answer, or wants what was found so far
    """

    tell: Callable[[int, int, str], None] = lambda done, total, words: None
    stop: Event = field(default_factory=Event)


@dataclass(frozen=True)
class Ask:
    """One kind of question.

    Parameters
    ----------
    message : frozen dataclass that the message is read into; its fields are what the page must send, nothing else
    answer : gives the answer as JSON data, run in a worker thread; raises CanalwiseError for what the page got wrong.
        An answer may hold one key "binary", bytes that follow it as a frame of their own
    newest_only : may an unanswered question of this kind be dropped when the same page asks another?
    """

    message: type[Any]
    answer: Callable[[Desk, Any, Job], Json]
    newest_only: bool = False
