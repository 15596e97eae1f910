"""The questions of one page on their way: which run, which wait, which are dropped or called off."""

from __future__ import annotations

import asyncio
import json
import sys
import time
import traceback
from collections.abc import Awaitable, Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from recon.errors import CanalwiseError, UnusableInput, WrongUse
from workbench.rehearsal.asks import Ask, CalledOff, Job, Json
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.messages import Question, problem_json

QUICK_WORKERS, LONG_WORKERS = 4, 2
"""Threads for questions that take an instant and for those that take seconds: an estimate never waits for a search."""

UNANSWERED = 32
"""Questions of one page that may be unanswered at a time."""

PROGRESS_S = 0.1
"""Progress is told no more often than this."""

Reply = tuple[str, bytes | None]
"""A text frame, and the binary frame that follows it."""

Sender = Callable[[Reply], Awaitable[None]]


@dataclass(frozen=True)
class Stop:
    """Call off the question of that number."""

    of: int


STOP = Ask(Stop, lambda desk, message, job: {})
"""Answered by `Jobs` itself, which knows the other questions."""


class Lanes:
    """The threads in which questions of all pages are answered."""

    def __init__(self) -> None:
        self._quick = ThreadPoolExecutor(QUICK_WORKERS, "quick")
        self._long = ThreadPoolExecutor(LONG_WORKERS, "long")

    def of(self, ask: Ask) -> ThreadPoolExecutor:
        """The threads for a kind of question."""
        return self._long if ask.long else self._quick

    def close(self) -> None:
        """Lets go of what has not begun."""
        for pool in (self._quick, self._long):
            pool.shutdown(wait=False, cancel_futures=True)


@dataclass(eq=False)
class _Slot:
    """The place of one kind of which only the newest matters: what runs, and what runs next."""

    running: Job
    next: tuple[Question, Job] | None = None


@dataclass(eq=False)
class Jobs:
    """The unanswered questions of one connection; all but the answering happens in the event loop's thread."""

    desk: Desk
    lanes: Lanes
    send: Sender
    _open: dict[int, Job] = field(default_factory=dict)
    _slots: dict[Hashable, _Slot] = field(default_factory=dict)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    async def take(self, question: Question) -> None:
        """Begins a question, lets it wait for its turn, or refuses it."""
        if isinstance(question.message, Stop):
            self._call_off(question.message.of)
            await self.send(answer_reply(question, {}))
        elif question.seq in self._open:
            again = WrongUse("'seq'", "must grow", got=question.seq)
            await self.send(problem_reply(question.seq, question.name, again))
        elif len(self._open) >= UNANSWERED:
            busy = WrongUse("the page", f"may have {UNANSWERED} unanswered questions", do="Wait for an answer.")
            await self.send(problem_reply(question.seq, question.name, busy))
        else:
            self._begin(question, self._job(question))

    def call_all_off(self) -> None:
        """Nobody listens any more."""
        self._slots.clear()
        for job in self._open.values():
            job.stop.set()
        for task in self._tasks:
            task.cancel()

    def _call_off(self, seq: int) -> None:
        if seq in self._open:
            self._open[seq].stop.set()

    def _job(self, question: Question) -> Job:
        job = Job(_Telling(question, self).tell)
        self._open[question.seq] = job
        return job

    def _begin(self, question: Question, job: Job) -> None:
        """Starts it, unless one of its kind is under way and only the newest matters."""
        key = _slot_key(question)
        if key is not None and (slot := self._slots.get(key)) is not None:
            if slot.next is not None:
                del self._open[slot.next[0].seq]
            slot.next = question, job
            slot.running.overtaken = True
            slot.running.stop.set()
            return
        if key is not None:
            self._slots[key] = _Slot(job)
        task = asyncio.get_running_loop().create_task(self._answer(question, job))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _answer(self, question: Question, job: Job) -> None:
        pool = self.lanes.of(question.ask)
        reply = await asyncio.get_running_loop().run_in_executor(pool, answered, self.desk, question, job)
        self._open.pop(question.seq, None)
        self._free(question)
        if reply is not None:
            await self.send(reply)

    def _free(self, question: Question) -> None:
        """Gives a kind's place to the question that waits for it."""
        slot = self._slots.pop(_slot_key(question), None)
        if slot is not None and slot.next is not None:
            self._begin(*slot.next)


def _slot_key(question: Question) -> Hashable | None:
    ask = question.ask
    return (question.name, getattr(question.message, ask.apart) if ask.apart else None) if ask.newest_only else None


@dataclass(eq=False)
class _Telling:
    """Tells a page how far its question is, from whichever thread, but not too often and not more than it can hear."""

    question: Question
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
        if self.question.seq in self.jobs._open:
            progress = {"done": done, "total": total, "words": words}
            head = {"seq": self.question.seq, "ask": self.question.name}
            await self.jobs.send((json.dumps({**head, "progress": progress}), None))
        self.sending = False


def answered(desk: Desk, question: Question, job: Job) -> Reply | None:
    """The reply to a question, worked out here and now; None where nobody waits for one."""
    try:
        if job.stop.is_set():
            raise CalledOff
        return answer_reply(question, question.ask.answer(desk, question.message, job))
    except (CalledOff, KeyboardInterrupt):
        problem: CanalwiseError = WrongUse("the question", "was called off before there was anything to tell")
        return None if job.overtaken else problem_reply(question.seq, question.name, problem)
    except CanalwiseError as told:
        problem = told
    except OSError as refused:  # strerror only: a path may name the patient
        problem = UnusableInput("the file system", f"refused ({refused.strerror})", do="Check space and rights there.")
    except Exception as fault:
        _log(question.name, fault)
        problem = UnusableInput("the question", "could not be answered", do="Change the plan, or ask again.")
    return problem_reply(question.seq, question.name, problem)


def answer_reply(question: Question, answer: Json) -> Reply:
    """The frames of an answer."""
    binary = answer.get("binary")
    data = {key: value for key, value in answer.items() if key != "binary"}
    head = {"seq": question.seq, "ask": question.name, "answer": data, "binary": binary is not None}
    return json.dumps(head, allow_nan=False), binary


def problem_reply(seq: int, name: str, problem: CanalwiseError) -> Reply:
    """The frame of a problem."""
    return json.dumps({"seq": seq, "ask": name, "problem": problem_json(problem)}), None


def _log(name: str, fault: BaseException) -> None:
    """Where it went wrong, for whoever mends it; neither message nor path, which may name the patient."""
    frames: list[Any] = traceback.extract_tb(fault.__traceback__)
    places = " < ".join(f"{Path(frame.filename).stem}:{frame.lineno}" for frame in reversed(frames[-3:]))
    print(f"canalwise: '{name}' could not be answered: {type(fault).__name__} at {places}", file=sys.stderr)
