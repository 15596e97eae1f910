"""The rehearsal server's application: the page, the case's facts and pictures, what was made to print, the socket."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.types import ASGIApp

from recon.errors import BadFile, CanalwiseError
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.facts import case_facts
from workbench.rehearsal.jobs import Lanes
from workbench.rehearsal.messages import problem_json
from workbench.rehearsal.security import Address, Guarded
from workbench.rehearsal.socket import Room

PAGE = {
    "": ("page.html", "text/html"),
    "page.js": ("page.js", "text/javascript"),
    "page.css": ("page.css", "text/css"),
}
"""Path -> file of the page and its kind; no other file is ever served."""


def rehearsal_app(desk: Desk, address: Address) -> ASGIApp:
    """The application; raises BadFile where the page was not built."""
    page = {path: Response(_page_file(name), media_type=kind) for path, (name, kind) in PAGE.items()}
    room = Room(desk, Lanes())
    routes = [
        *(Route(f"/{path}", partial(_given, response)) for path, response in page.items()),
        Route("/case.json", partial(_answered, desk, _facts)),
        WebSocketRoute("/socket", room.talk),
    ]
    app = Starlette(routes=[Mount(f"/{address.token}", routes=routes)], lifespan=partial(_open_lanes, room))
    return Guarded(app, address)


def _page_file(name: str) -> bytes:
    file = files("workbench").joinpath("page", "dist", name)
    if not file.is_file():
        raise BadFile("the rehearsal page", "must have been built", got=f"no {name}", do=BUILD)
    return file.read_bytes()


BUILD = "Install canalwise again, or in a checkout run 'npm ci' and 'node build.mjs' in workbench/page."


@asynccontextmanager
async def _open_lanes(room: Room, _: Starlette) -> AsyncIterator[None]:
    yield
    room.lanes.close()


async def _given(response: Response, _: Request) -> Response:
    return response


async def _answered(desk: Desk, answer: Callable[[Desk, Request], Response], request: Request) -> Response:
    """A response that takes a moment, made in a thread; what cannot be answered is told as a problem."""
    try:
        return await run_in_threadpool(answer, desk, request)
    except CanalwiseError as problem:
        return JSONResponse(problem_json(problem), status_code=404)


def _facts(desk: Desk, _: Request) -> Response:
    return JSONResponse(case_facts(desk.case))


def _level_of(desk: Desk, request: Request) -> Any:
    return desk.case.anatomy.level(request.path_params["level"]).name
