"""The rehearsal server's application: the page, the case's facts and pictures, what was made to print, the socket."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from importlib.resources import files

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route, Router, WebSocketRoute
from starlette.types import ASGIApp

from recon.errors import BadFile, CanalwiseError, UnusableInput
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.facts import Start, case_facts
from workbench.rehearsal.faults import log_fault
from workbench.rehearsal.jobs import Lanes
from workbench.rehearsal.messages import problem_json
from workbench.rehearsal.security import MADE_POLICY, PRINT_POLICY, Address, Guarded
from workbench.rehearsal.socket import Room
from workbench.rehearsal.warm import warmed

PAGE = {
    "": ("page.html", "text/html"),
    "page.js": ("page.js", "text/javascript"),
    "page.css": ("page.css", "text/css"),
}
"""Path -> file of the page and its kind; no other file is ever served."""

MADE = {"text/html": MADE_POLICY, "application/pdf": PRINT_POLICY}
"""Kind of a page made to print -> the policy it is shown under; no other kind is given out."""

BUILD = "Install canalwise again, or in a checkout run 'npm ci' and 'node build.mjs' in workbench/page."


def rehearsal_app(desk: Desk, address: Address, start: Start) -> ASGIApp:
    """The application; raises BadFile where the page was not built."""
    page = {path: Response(_page_file(name), media_type=kind) for path, (name, kind) in PAGE.items()}
    room = Room(desk, Lanes())
    routes = [
        *(Route(f"/{path}", _always(response)) for path, response in page.items()),
        Route("/case.json", _told(lambda _: JSONResponse(case_facts(desk.case, start, desk.lessons)))),
        Route("/levels/{level}/scene.bin", _told(lambda asked: _scene(desk, asked.path_params["level"]))),
        Route("/levels/{level}/scan.bin", _told(lambda asked: _scan(desk, asked.path_params["level"]))),
        Route("/made/{name}", _told(lambda asked: _made(desk, asked.path_params["name"]))),
        WebSocketRoute("/socket", room.talk),
    ]

    # an address with a slash too many leads nowhere; only the token's own may be left out
    inside = Router(routes, redirect_slashes=False)

    @asynccontextmanager
    async def alive(_: Starlette) -> AsyncIterator[None]:
        warmed(desk, start)
        yield
        room.lanes.close()

    return Guarded(Starlette(routes=[Mount(f"/{address.token}", app=inside)], lifespan=alive), address)


def _page_file(name: str) -> bytes:
    file = files("workbench").joinpath("page", "dist", name)
    if not file.is_file():
        raise BadFile("the rehearsal page", "must have been built", got=f"no {name}", do=BUILD)
    return file.read_bytes()


def _always(response: Response) -> Callable[[Request], Awaitable[Response]]:
    async def give(_: Request) -> Response:
        return response

    return give


def _told(answer: Callable[[Request], Response]) -> Callable[[Request], Awaitable[Response]]:
    """Answers in a thread; what cannot be answered is told as the page's Problem, without a path or a trace."""

    async def give(request: Request) -> Response:
        try:
            return await run_in_threadpool(answer, request)
        except CanalwiseError as problem:
            return JSONResponse(problem_json(problem), status_code=404)
        except Exception as fault:
            log_fault(request.url.path.rpartition("/")[2], fault)
            return JSONResponse(problem_json(UnusableInput("this", "could not be made")), status_code=500)

    return give


def _scene(desk: Desk, level: str) -> Response:
    from workbench.rehearsal.scene_frame import scene_frame  # here: it brings the libraries that make meshes

    return _frame(scene_frame(desk, desk.case.anatomy.level(level).name))


def _scan(desk: Desk, level: str) -> Response:
    from workbench.rehearsal.scan_frame import scan_frame

    return _frame(scan_frame(desk, desk.case.anatomy.level(level).name))


def _frame(content: bytes) -> Response:
    return Response(content, media_type="application/octet-stream")


def _made(desk: Desk, name: str) -> Response:
    made = desk.made.get(name)
    if made is None or made.media_type not in MADE:
        raise BadFile("the page made to print", "must be one of the last ones", do="Make it again.")
    policy = {"content-security-policy": MADE[made.media_type]}
    return Response(made.content, media_type=made.media_type, headers=policy)
