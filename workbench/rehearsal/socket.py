"""The connection of one page: frames in, frames out."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from starlette.websockets import WebSocket, WebSocketDisconnect

from recon.errors import WrongUse
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.jobs import Jobs, Lanes, Reply, problem_reply
from workbench.rehearsal.messages import Misread, question_of
from workbench.rehearsal.registry import asks

CONNECTIONS = 8
"""Pages that may be connected at a time."""

TRY_LATER = 1013
"""Close code of a server that is too busy (IANA registry of WebSocket close codes)."""


@dataclass(eq=False)
class Room:
    """What all pages share: the desk, the threads, and a count of who is there."""

    desk: Desk
    lanes: Lanes
    there: int = 0

    async def talk(self, websocket: WebSocket) -> None:
        """Serves one page until it leaves."""
        await websocket.accept()
        if self.there >= CONNECTIONS:
            await websocket.close(TRY_LATER, f"at most {CONNECTIONS} pages at a time")
            return
        self.there += 1
        jobs = Jobs(self.desk, self.lanes, _Line(websocket).send)
        try:
            while (frame := await websocket.receive())["type"] == "websocket.receive":
                await _hear(jobs, frame.get("text"))
        finally:
            self.there -= 1
            jobs.call_all_off()


async def _hear(jobs: Jobs, text: str | None) -> None:
    try:
        if text is None:
            raise Misread(WrongUse("the message", "must be text", got="a binary frame"))
        question = question_of(text, asks())
    except Misread as wrong:
        await jobs.send(problem_reply(wrong.seq, wrong.name, wrong.problem))
        return
    await jobs.take(question)


class _Line:
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
