"""Kinds of requests of a page: the shape of the message, and the function that answers it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event
from typing import Any

from canalwise.workbench.rehearsal.session.session import Session

Json = dict[str, Any]


@dataclass(frozen=True, eq=False)
class RequestJob:
    """One request in progress: where its progress is reported, and whether it was cancelled.

    Parameters
    ----------
    tell : takes (done, total, what is being done); may be called from any thread
    stop : set when the page no longer wants the answer, or wants what was found so far; a handler that then has
        nothing to tell raises Cancelled
    """

    tell: Callable[[int, int, str], None] = lambda done, total, words: None
    stop: Event = field(default_factory=Event)


@dataclass(frozen=True)
class RequestKind:
    """One kind of question.

    Parameters
    ----------
    message : frozen dataclass that the message is read into; its fields are what the page must send, nothing else
    answer : gives the answer as JSON data, run in a worker thread; raises CanalwiseError for what the page got wrong.
        An answer may hold one key "binary", bytes that follow it as a frame of their own
    newest_only : may an unanswered question of this kind be dropped when the same page asks another? What is in
        progress then has its `stop` set
    apart : name of a field of the message; with `newest_only`, one question for each of its values may be running
    always : does it change the case? It is then carried out even if the page has gone meanwhile
    long : does it take seconds? Such questions wait for each other, and never keep an estimate waiting
    """

    message: type[Any]
    answer: Callable[[Session, Any, RequestJob], Json]
    newest_only: bool = False
    apart: str = ""
    always: bool = False
    long: bool = False


class Cancelled(Exception):
    """A handler gave up because its `stop` was set and it had nothing to answer with."""
