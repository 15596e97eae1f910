"""The request queue of one page: which run, which wait, which are dropped or cancelled."""

from __future__ import annotations

import asyncio
import itertools
import json
import threading
import time
from collections.abc import Awaitable, Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

from canalwise.recon.errors import CanalwiseError, UnusableInput, WrongUse
from canalwise.workbench.rehearsal.server.error_log import log_error
from canalwise.workbench.rehearsal.server.malloc_trim import released_heap
from canalwise.workbench.rehearsal.session.messages import PageMessage, problem_json
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session

QUICK_WORKERS, LONG_WORKERS = 4, 2
"""Threads for questions that take an instant and for those that take seconds: an estimate never waits for a search."""

UNANSWERED = 32
"""Questions of one page that may be unanswered at a time."""

PROGRESS_S = 0.1
"""Progress is reported no more often than this."""

CLOSE_S = 3.0
"""How long a server that ends waits for what is being answered; autosave takes some hundredths of that."""

HEAVY_S = 0.5
"""What takes longer has used much memory, and what it let go of is given back at once."""

_LANES = itertools.count()

Reply = tuple[str, bytes | None]
"""A text frame, and the binary frame that follows it."""

Sender = Callable[[Reply], Awaitable[None]]


@dataclass(frozen=True)
class CancelRequest:
    """Call off the question of that number."""

    of: int


STOP = RequestKind(CancelRequest, lambda session, message, job: {})
"""Answered by `Jobs` itself, which knows the other questions."""


class WorkerThreads:
    """The threads in which questions of all pages are answered."""

    def __init__(self) -> None:
        self._name = f"lanes-{next(_LANES)}-"
        self._quick = ThreadPoolExecutor(QUICK_WORKERS, f"{self._name}quick")
        self._long = ThreadPoolExecutor(LONG_WORKERS, f"{self._name}long")

    def of(self, ask: RequestKind) -> ThreadPoolExecutor:
        """The threads for a kind of question."""
        return self._long if ask.long else self._quick

    def close(self, within_s: float = CLOSE_S) -> bool:
        """Finishes the quick ones, autosave among them, and lets go of long ones that have not begun.

        Are all threads at their end? One that hangs is not waited for: Ctrl-C must end the server all the same.
        """
        self._long.shutdown(wait=False, cancel_futures=True)
        self._quick.shutdown(wait=False)
        until_s = time.monotonic() + within_s
        for thread in self._threads():
            thread.join(max(until_s - time.monotonic(), 0.0))
        return not self._threads()

    def _threads(self) -> list[threading.Thread]:
        return [thread for thread in threading.enumerate() if thread.name.startswith(self._name)]


def answering_threads() -> bool:
    """Is any thread of any lanes, closed or not, still at work in this process?"""
    return any(thread.name.startswith("lanes-") for thread in threading.enumerate())


@dataclass(eq=False)
class _Open:
    """A question that is not answered yet."""

    question: PageMessage
    job: RequestJob


@dataclass(eq=False)
class _Slot:
    """The place of one kind of which only the newest matters: what runs, and what runs next."""

    running: RequestJob
    next: _Open | None = None


@dataclass(eq=False)
class Jobs:
    """The unanswered questions of one connection; all but the answering happens in the event loop's thread."""

    session: Session
    lanes: WorkerThreads
    send: Sender
    _open: dict[int, _Open] = field(default_factory=dict)
    _slots: dict[Hashable, _Slot] = field(default_factory=dict)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    async def take(self, question: PageMessage) -> None:
        """Begins a question, lets it wait for its turn, or refuses it."""
        if isinstance(question.message, CancelRequest):
            self._call_off(question.message.of)
            await self.send(answer_reply(question, {}))
        elif question.seq in self._open:
            await self._refuse(question, WrongUse("'seq'", "must be a new number", got=question.seq))
        elif len(self._open) >= UNANSWERED:
            rule = f"may leave {UNANSWERED} questions unanswered"
            await self._refuse(question, WrongUse("the page", rule, do="Wait for an answer."))
        else:
            opened = _Open(question, RequestJob(_ProgressReporter(question, self).tell))
            self._open[question.seq] = opened
            await self._begin(opened)

    def is_open(self, seq: int) -> bool:
        """Is the question of that number still to be answered?"""
        return seq in self._open

    def call_all_off(self) -> None:
        """Nobody listens any more; only what changes the case is still carried out."""
        for each in self._open.values():
            if not each.question.ask.always:
                each.job.stop.set()

    def _call_off(self, seq: int) -> None:
        if seq in self._open:
            self._open[seq].job.stop.set()

    async def _refuse(self, question: PageMessage, problem: CanalwiseError) -> None:
        await self.send(problem_reply(question.seq, question.name, problem))

    async def _begin(self, opened: _Open) -> None:
        """Starts it, or puts it next where one of its kind is running and only the newest matters."""
        key = _slot_key(opened.question)
        slot = self._slots.get(key) if key is not None else None
        if slot is not None:
            await self._put_next(slot, opened)
            return
        if key is not None:
            self._slots[key] = _Slot(opened.job)
        task = asyncio.get_running_loop().create_task(self._answer(opened))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _put_next(self, slot: _Slot, opened: _Open) -> None:
        before, slot.next = slot.next, opened
        if not opened.question.ask.always:
            slot.running.stop.set()
        if before is not None:
            del self._open[before.question.seq]
            await self.send(dropped_reply(before.question))

    async def _answer(self, opened: _Open) -> None:
        question, pool = opened.question, self.lanes.of(opened.question.ask)
        loop = asyncio.get_running_loop()
        try:
            reply = await loop.run_in_executor(pool, answered, self.session, question, opened.job)
        except RuntimeError:  # the server is ending, and the threads with it
            return
        del self._open[question.seq]
        slot = self._slots.pop(_slot_key(question), None)
        if slot is not None and slot.next is not None:
            await self._begin(slot.next)
        await self.send(reply)


def _slot_key(question: PageMessage) -> Hashable | None:
    ask = question.ask
    return (question.name, getattr(question.message, ask.apart) if ask.apart else None) if ask.newest_only else None


@dataclass(eq=False)
class _ProgressReporter:
    """Tells a page how far its question is, from whichever thread, but not too often and not more than it can hear."""

    question: PageMessage
    jobs: Jobs
    loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.get_running_loop)
    last_s: float = -PROGRESS_S
    sending: bool = False

    def tell(self, done: int, total: int, words: str) -> None:
        """To be called by the handler."""
        now_s = time.monotonic()
        if self.sending or now_s - self.last_s < PROGRESS_S:
            return
        self.last_s, self.sending = now_s, True
        asyncio.run_coroutine_threadsafe(self._send(done, total, words), self.loop)

    async def _send(self, done: int, total: int, words: str) -> None:
        if self.jobs.is_open(self.question.seq):
            progress = {"done": done, "total": total, "words": words}
            head = {"seq": self.question.seq, "ask": self.question.name}
            await self.jobs.send((json.dumps({**head, "progress": progress}), None))
        self.sending = False


def answered(session: Session, question: PageMessage, job: RequestJob) -> Reply:
    """The reply to a question, worked out here and now."""
    begun_s = time.monotonic()
    try:
        if job.stop.is_set():
            raise Cancelled
        return answer_reply(question, question.ask.answer(session, question.message, job))
    except (Cancelled, KeyboardInterrupt):
        return dropped_reply(question)
    except CanalwiseError as reported:
        problem = reported
    except OSError as refused:  # strerror only: a path may name the patient
        reason = refused.strerror or type(refused).__name__
        problem = UnusableInput("the file system", f"refused ({reason})", do="Check space and rights there.")
    except Exception as fault:
        log_error(question.name, fault)
        problem = UnusableInput("the question", "could not be answered", do="Change the plan, or ask again.")
    finally:
        if time.monotonic() - begun_s > HEAVY_S:
            released_heap()
    return problem_reply(question.seq, question.name, problem)


def answer_reply(question: PageMessage, answer: Json) -> Reply:
    """The frames of an answer."""
    binary = answer.get("binary")
    data = {key: value for key, value in answer.items() if key != "binary"}
    head = {"seq": question.seq, "ask": question.name, "answer": data, "binary": binary is not None}
    return json.dumps(head, allow_nan=False), binary


def dropped_reply(question: PageMessage) -> Reply:
    """The reply that a request was dropped: overtaken by a newer one, or cancelled."""
    return json.dumps({"seq": question.seq, "ask": question.name, "dropped": True}), None


def problem_reply(seq: int, name: str, problem: CanalwiseError) -> Reply:
    """The frame of a problem.

    >>> problem_reply(1, "save", WrongUse("the name", "must be short"))[0][:30]
    '{"seq": 1, "ask": "save", "pro'
    """
    return json.dumps({"seq": seq, "ask": name, "problem": problem_json(problem)}), None
