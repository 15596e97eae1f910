"""The connection of one page: frames in, frames out."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.websockets import WebSocket, WebSocketDisconnect

from canalwise.recon.errors import WrongUse
from canalwise.workbench.rehearsal.server.jobs import Jobs, Reply, WorkerThreads, problem_reply
from canalwise.workbench.rehearsal.session.messages import MalformedMessage, question_of
from canalwise.workbench.rehearsal.session.request import RequestKind
from canalwise.workbench.rehearsal.session.session import Session

CONNECTIONS = 8
"""Pages that may be connected at a time."""

TRY_LATER = 1013
"""Close code of a server that is too busy (IANA registry of WebSocket close codes)."""


@dataclass(eq=False)
class ServerState:
    """What all pages share: the session, what they may request, the threads, and how many are connected."""

    session: Session
    kinds: Mapping[str, RequestKind]
    lanes: WorkerThreads
    there: int = 0

    async def talk(self, websocket: WebSocket) -> None:
        """Serves one page until it leaves."""
        await websocket.accept()
        if self.there >= CONNECTIONS:
            await websocket.close(TRY_LATER, f"at most {CONNECTIONS} pages at a time")
            return
        self.there += 1
        jobs = Jobs(self.session, self.lanes, _ReplySender(websocket).send)
        try:
            while (frame := await websocket.receive())["type"] == "websocket.receive":
                await _receive(jobs, frame.get("text"), self.kinds)
        finally:
            self.there -= 1
            jobs.call_all_off()


async def _receive(jobs: Jobs, text: str | None, kinds: Mapping[str, RequestKind]) -> None:
    try:
        if text is None:
            raise MalformedMessage(WrongUse("the message", "must be text", got="a binary frame"))
        question = question_of(text, kinds)
    except MalformedMessage as wrong:
        await jobs.send(problem_reply(wrong.seq, wrong.name, wrong.problem))
        return
    await jobs.take(question)


class _ReplySender:
    """Sends replies one after the other; nothing comes between an answer and its binary frame."""

    def __init__(self, websocket: WebSocket) -> None:
        self._websocket, self._lock = websocket, asyncio.Lock()

    async def send(self, reply: Reply) -> None:
        """Sends a reply; to a page that has gone, nothing."""
        text, binary = reply
        async with self._lock:
            try:
                await self._websocket.send_text(text)
                if binary is not None:
                    await self._websocket.send_bytes(binary)
            except (WebSocketDisconnect, RuntimeError):
                return
