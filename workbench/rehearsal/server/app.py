"""The rehearsal server's application: the page, the case's facts and pictures, what was made to print, the socket."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route, Router, WebSocketRoute
from starlette.types import ASGIApp

from canalwise.recon.errors import BadFile, CanalwiseError, UnusableInput
from canalwise.workbench.rehearsal.server.error_log import log_error
from canalwise.workbench.rehearsal.server.jobs import WorkerThreads
from canalwise.workbench.rehearsal.server.security import MADE_POLICY, PRINT_POLICY, GuardedApp, ServerEndpoint
from canalwise.workbench.rehearsal.server.warm_up import warmed_up
from canalwise.workbench.rehearsal.server.websocket import ServerState
from canalwise.workbench.rehearsal.session.case_facts import InitialPlan, case_facts
from canalwise.workbench.rehearsal.session.messages import problem_json
from canalwise.workbench.rehearsal.session.request import RequestKind
from canalwise.workbench.rehearsal.session.scene_frame import scene_frame
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.style.page_bundle import page_file

PAGE = {
    "": ("page.html", "text/html"),
    "page.js": ("page.js", "text/javascript"),
    "page.css": ("page.css", "text/css"),
}
"""Path -> file of the page and its kind; no other file is ever served."""

MADE = {"text/html": MADE_POLICY, "application/pdf": PRINT_POLICY}
"""Kind of a page made to print -> the policy it is shown under; no other kind is given out."""


def rehearsal_app(
    session: Session, address: ServerEndpoint, start: InitialPlan, kinds: Mapping[str, RequestKind]
) -> ASGIApp:
    """The application, which answers requests of the given kinds; raises BadFile where the page was not built."""
    page = {path: Response(page_file(name), media_type=kind) for path, (name, kind) in PAGE.items()}
    room = ServerState(session, kinds, WorkerThreads())
    routes = [
        *(Route(f"/{path}", _always(response)) for path, response in page.items()),
        Route("/case.json", _reported(lambda _: JSONResponse(case_facts(session.case, start, session.lessons)))),
        Route("/levels/{level}/scene.bin", _reported(lambda request: _scene(session, request.path_params["level"]))),
        Route("/levels/{level}/scan.bin", _reported(lambda request: _scan(session, request.path_params["level"]))),
        Route("/levels/{level}/audit.bin", _reported(lambda request: _maps(session, request.path_params["level"]))),
        Route("/made/{name}", _reported(lambda request: _made(session, request.path_params["name"]))),
        WebSocketRoute("/socket", room.talk),
    ]

    # an address with a slash too many leads nowhere; only the token's own may be left out
    inside = Router(routes, redirect_slashes=False)

    @asynccontextmanager
    async def alive(_: Starlette) -> AsyncIterator[None]:
        warmed_up(session, start)
        yield
        room.lanes.close()

    return GuardedApp(Starlette(routes=[Mount(f"/{address.token}", app=inside)], lifespan=alive), address)


def _always(response: Response) -> Callable[[Request], Awaitable[Response]]:
    async def give(_: Request) -> Response:
        return response

    return give


def _reported(answer: Callable[[Request], Response]) -> Callable[[Request], Awaitable[Response]]:
    """Answers in a thread; an error is returned as the page's Problem, without a path or a trace."""

    async def give(request: Request) -> Response:
        try:
            return await run_in_threadpool(answer, request)
        except CanalwiseError as problem:
            return JSONResponse(problem_json(problem), status_code=404)
        except Exception as fault:
            log_error(request.url.path.rpartition("/")[2], fault)
            return JSONResponse(problem_json(UnusableInput("this", "could not be made")), status_code=500)

    return give


def _scene(session: Session, level: str) -> Response:
    return _frame(scene_frame(session, level))


def _scan(session: Session, level: str) -> Response:
    from canalwise.workbench.surfaces.scan_frame import scan_frame

    return _frame(scan_frame(session.case, level))


def _maps(session: Session, level: str) -> Response:
    from canalwise.workbench.surfaces.audit_frame import audit_frame

    return _frame(audit_frame(session.case, level))


def _frame(content: bytes) -> Response:
    return Response(content, media_type="application/octet-stream")


def _made(session: Session, name: str) -> Response:
    made = session.made.get(name)
    if made is None or made.media_type not in MADE:
        raise BadFile("the page made to print", "must be one of the last ones", do="Make it again.")
    policy = {"content-security-policy": MADE[made.media_type]}
    return Response(made.content, media_type=made.media_type, headers=policy)
