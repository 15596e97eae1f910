"""Who may talk to the rehearsal server: this machine's own pages, with this run's token, and nobody else.

Anyone may send requests to a port of the loopback, and any web page may make a browser send some. The token in the
path keeps out who was not given the address. The Host check keeps out a foreign name made to point at the loopback,
the Origin check a foreign page; the policies keep what we serve from loading or running anything that is not ours.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from canalwise.recon.errors import WrongUse
from canalwise.workbench.rehearsal.server.error_log import log_error

LOOPBACK = ("127.0.0.1", "localhost", "::1")
"""Names of this machine that no other machine can reach."""

TOKEN = re.compile(r"[\w-]{32,128}", flags=re.ASCII)
"""A token is long enough not to be guessed and safe in an address; ours have 43 characters, 256 random bits."""

FRAMED_BY = "'self' http://127.0.0.1:* http://localhost:*"
"""A notebook on this machine may show the page in a frame, whatever its port; no site elsewhere may."""

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self' {socket}; "
    f"base-uri 'none'; form-action 'none'; frame-ancestors {FRAMED_BY}"
)
"""Nothing but our own files runs or is loaded; pictures may be made in the page; the socket is named, for not every
browser counts ws: as 'self'."""

MADE_POLICY = (
    "sandbox allow-scripts allow-modals allow-downloads; default-src 'none'; style-src 'unsafe-inline'; "
    "img-src data: blob:; script-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)
"""Pages made for printing are one file each, so style and script stand in them. The sandbox takes their origin away:
whatever ran in one could neither reach this server nor anything else, only draw, print and be saved."""

PRINT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; object-src 'self'; frame-ancestors 'self'"
"""A PDF runs nothing of ours; a sandbox would keep browsers from showing it."""

ALWAYS = {
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
}
"""Headers of every response: the address holds the token and must not travel; nothing of a patient stays in a cache."""


def new_token() -> str:
    """A token nobody can guess.

    >>> len(new_token())  # 32 bytes in base64 without padding
    43
    """
    return secrets.token_urlsafe(32)


@dataclass(frozen=True)
class ServerEndpoint:
    """Where the server answers.

    Raises WrongUse for a token that could be guessed or would not stand in an address.

    >>> ServerEndpoint("127.0.0.1", 8765, "x" * 32).url
    'http://127.0.0.1:8765/xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx/'
    """

    host: str
    port: int
    token: str

    def __post_init__(self) -> None:
        if not TOKEN.fullmatch(self.token):
            reported = f"{len(self.token)} characters"
            raise WrongUse("--token", "must be 32 to 128 letters, digits, '-' or '_'", got=reported)

    @property
    def url(self) -> str:
        """What a browser opens."""
        return f"http://{_named(self.host)}:{self.port}/{self.token}/"

    @property
    def hosts(self) -> frozenset[str]:
        """Allowed values of a request's Host header."""
        return frozenset(f"{_named(host)}:{self.port}" for host in (*LOOPBACK, self.host))

    def is_ours(self, headers: Headers) -> bool:
        """Is the request meant for this server by name?"""
        return headers.get("host", "").lower() in self.hosts

    def is_from_us(self, headers: Headers) -> bool:
        """Does the request come from a page that this server gave, by the very name it was opened under?"""
        return headers.get("origin", "").lower() == f"http://{headers.get('host', '').lower()}"

    def opens(self, path: str) -> bool:
        """Does a path begin with the token?"""
        given = path.removeprefix("/").partition("/")[0]
        # as bytes: text beyond ASCII cannot be compared in constant time
        return secrets.compare_digest(given.encode(), self.token.encode())


def _named(host: str) -> str:
    return f"[{host}]" if ":" in host else quote(host.lower())


class GuardedApp:
    """An application behind the checks; requests that fail them never reach it, and get no reason."""

    def __init__(self, app: ASGIApp, address: ServerEndpoint) -> None:
        self._app, self._address = app, address

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or connection."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refused = self._refusal(scope, Headers(scope=scope))
        if refused is None:
            await self._let_in(scope, receive, _with_headers(send, Headers(scope=scope).get("host", "")))
        elif scope["type"] == "websocket":
            # closed before it was accepted: the client is answered 403
            await send({"type": "websocket.close", "code": 1008})
        else:
            await _say(send, refused)

    async def _let_in(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await self._app(scope, receive, send)
        except Exception as fault:  # the client has been answered; a trace on the screen would show paths
            log_error(scope["type"], fault)

    def _refusal(self, scope: Scope, headers: Headers) -> int | None:
        """The status a request is refused with; None where it is let in."""
        if not self._address.is_ours(headers):
            return 400
        acts = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        if acts and not self._address.is_from_us(headers):
            return 403
        return None if self._address.opens(scope["path"]) else 404


def _with_headers(send: Send, host: str) -> Send:
    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in ALWAYS.items():
                headers.setdefault(name, value)
            if "content-security-policy" not in headers:
                headers["content-security-policy"] = PAGE_POLICY.format(socket=f"ws://{host}")
                # not beside a sandbox: browsers refuse to show a page that asks for both
                headers["cross-origin-opener-policy"] = "same-origin"
        await send(message)

    return sent


async def _say(send: Send, status: int) -> None:
    headers = [(name.encode(), value.encode()) for name, value in ALWAYS.items()]
    start: Message = {"type": "http.response.start", "status": status, "headers": [*headers, (b"content-length", b"0")]}
    await send(start)
    await send({"type": "http.response.body", "body": b""})
