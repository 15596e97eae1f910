"""Serving a session on this machine: the port, the server, and its end."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass

import uvicorn
from starlette.types import ASGIApp

from canalwise.recon.errors import WrongUse
from canalwise.workbench.rehearsal.server.app import rehearsal_app
from canalwise.workbench.rehearsal.server.security import ServerEndpoint, new_token
from canalwise.workbench.rehearsal.session.case_facts import InitialPlan
from canalwise.workbench.rehearsal.session.messages import MESSAGE_BYTES
from canalwise.workbench.rehearsal.session.request import RequestKind
from canalwise.workbench.rehearsal.session.session import Session

GRACE_S = 2
"""How long pages are given to close when the server ends."""


@dataclass(eq=False)
class BoundServer:
    """A server that is bound to its address and not yet running; `run` serves until `end` is called."""

    address: ServerEndpoint
    server: uvicorn.Server
    bound: socket.socket

    def run(self) -> None:
        """Answers, in this thread, until Ctrl-C or `end`."""
        with self.bound:
            self.server.run(sockets=[self.bound])

    def end(self) -> None:
        """Ends it, from any thread."""
        self.server.should_exit = True


@dataclass(frozen=True)
class ServerAddress:
    """Where to serve: any free port unless one is given, under a new token unless one is given."""

    host: str = "127.0.0.1"
    port: int = 0
    token: str = ""


def serving(
    session: Session,
    kinds: Mapping[str, RequestKind],
    place: ServerAddress | None = None,
    start: InitialPlan | None = None,
) -> BoundServer:
    """A server of the session, on this machine alone unless another address is given.

    Parameters
    ----------
    kinds : what pages may request, by name (`workbench.rehearsal.server.registry.request_kinds`)

    Raises
    ------
    WrongUse : a port that is taken, a host that is not this machine's, a token that could be guessed
    BadFile : the page was not built
    """
    place = place or ServerAddress()
    bound = _bound(place.host, place.port)
    try:
        address = ServerEndpoint(place.host, bound.getsockname()[1], place.token or new_token())
        app = rehearsal_app(session, address, start or InitialPlan(), kinds)
        return BoundServer(address, uvicorn.Server(_config(app)), bound)
    except BaseException:
        bound.close()
        raise


LAST_PORT = 65535
"""Ports are 16 bits."""

EVERYWHERE = ("0.0.0.0", "::")
"""Hosts that stand for every address: the server could not tell by which name it is rightly requested."""


def _bound(host: str, port: int) -> socket.socket:
    if not 0 <= port <= LAST_PORT:  # the system would take another one, silently
        raise WrongUse("--port", f"must be from 0 to {LAST_PORT}", got=port)
    if host in EVERYWHERE:
        raise WrongUse("--host", "must be one address of this machine", got=host, do="Give the one others will use.")
    try:
        family, kind, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        bound = socket.socket(family, kind)
    except (OSError, UnicodeError):
        raise WrongUse("--host", "must be an address of this machine", got=host) from None
    try:
        # a server started anew must not wait until the old one's connections are forgotten
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(place)
        bound.listen()  # from now on who asks waits for the server to begin, instead of being turned away
    except (OSError, OverflowError) as refused:
        bound.close()
        reported = getattr(refused, "strerror", None) or "out of range"
        raise WrongUse(
            "--host and --port", "must be free on this machine", got=reported, do="Leave --port out."
        ) from None
    return bound


def _config(app: ASGIApp) -> uvicorn.Config:
    """Server settings: no access log, for it would hold the token, and no server header."""
    return uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws_max_size=MESSAGE_BYTES,
        ws_per_message_deflate=False,
        timeout_graceful_shutdown=GRACE_S,
    )
