"""A rehearsal server in a thread, and clients that remember all they received."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from http.client import HTTPConnection
from pathlib import Path

import pytest
from websockets.sync.client import ClientConnection, connect

from canalwise.estimator.charts import entry_map as entry_map_module
from canalwise.estimator.charts import instrument_chart as instrument_chart_module
from canalwise.estimator.charts import tilt_chart as tilt_chart_module
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import read_case, write_case
from canalwise.workbench.rehearsal.server import app
from canalwise.workbench.rehearsal.server.registry import request_kinds
from canalwise.workbench.rehearsal.server.security import ServerEndpoint
from canalwise.workbench.rehearsal.server.server import ServerAddress, serving
from canalwise.workbench.rehearsal.session.request import RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.teaching.lesson import built_in_lessons
from tests.workbench import toy

FOLDER = "named-to-nobody"
"""The case's folder in these tests; no response may hold it."""

WAIT_S = 60
"""A reply that takes longer will not come."""


@dataclass(eq=False)
class Talker:
    """One page's connection."""

    socket: ClientConnection
    heard: list[str | bytes] = field(default_factory=list)
    seq: int = 0

    def say(self, ask: str, **fields) -> int:
        """Sends a question; gives its number."""
        self.seq += 1
        self.socket.send(json.dumps({"seq": self.seq, "ask": ask, **fields}))
        return self.seq

    def hear(self) -> dict:
        """The next reply."""
        reply = self.frame()
        assert isinstance(reply, str)
        return json.loads(reply)

    def frame(self) -> str | bytes:
        """The next frame, whatever it is."""
        self.heard.append(self.socket.recv(timeout=WAIT_S))
        return self.heard[-1]

    def ask(self, ask: str, **fields) -> dict:
        """The answer to a question; progress is passed over."""
        seq = self.say(ask, **fields)
        while (reply := self.hear())["seq"] != seq or "progress" in reply:
            pass
        assert "answer" in reply, reply
        return reply["answer"]

    def refused(self, ask: str, **fields) -> dict:
        """The problem a question is refused for."""
        seq = self.say(ask, **fields)
        reply = self.hear()
        assert reply["seq"] == seq
        return reply["problem"]


@dataclass(frozen=True)
class HttpAnswer:
    """A response."""

    status_code: int
    headers: dict[str, str]
    content: bytes

    def json(self):
        """Its content, read as JSON."""
        return json.loads(self.content)


@dataclass(eq=False)
class Served:
    """A running server of a case on disk."""

    address: ServerEndpoint
    folder: Path
    session: Session
    kinds: dict[str, RequestKind]
    reported: list[str | bytes] = field(default_factory=list)

    @property
    def origin(self) -> str:
        """What a page of this server says it comes from."""
        return f"http://127.0.0.1:{self.address.port}"

    def get(self, path: str = "", **headers) -> HttpAnswer:
        """One request for a path under the token."""
        return self.request("GET", f"/{self.address.token}/{path}", **headers)

    def request(self, method: str, target: str, **headers) -> HttpAnswer:
        """One request for a target, exactly as it is written: most clients would tidy it up."""
        client = HTTPConnection("127.0.0.1", self.address.port, timeout=WAIT_S)
        try:
            client.request(method, target, headers=headers)
            got = client.getresponse()
            reported = HttpAnswer(got.status, {name.lower(): value for name, value in got.getheaders()}, got.read())
        finally:
            client.close()
        self.reported += [reported.content, str(reported.headers)]
        return reported

    @contextmanager
    def page(self, **options) -> Iterator[Talker]:
        """A page's connection."""
        url = self.origin.replace("http", "ws") + f"/{self.address.token}/socket"
        with connect(url, **{"origin": self.origin, "proxy": None, "max_size": None} | options) as socket:
            talker = Talker(socket, self.reported)
            yield talker


@contextmanager
def served_from(folder: Path, port: int = 0, token: str = "") -> Iterator[Served]:
    """A server of the case in a folder, until the end of the block."""
    session = Session(read_case(folder), built_in_lessons())
    kinds = dict(request_kinds())
    serving_here = serving(session, kinds, ServerAddress(port=port, token=token))
    thread = threading.Thread(target=serving_here.run)
    thread.start()
    while not serving_here.server.started:
        time.sleep(0.01)
    served = Served(serving_here.address, folder, session, kinds)
    try:
        yield served
    finally:
        serving_here.end()
        thread.join()
    tell_nothing(served)


def tell_nothing(served: Served) -> None:
    """No reply tells where the case lies."""
    for reported in served.reported:
        text = reported if isinstance(reported, str) else reported.decode(errors="ignore")
        assert FOLDER not in text
        assert str(served.folder.parent) not in text


@pytest.fixture(scope="session", autouse=True)
def _cold():
    """Servers that prepare nothing of themselves: most tests ask for no number."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(app, "warmed_up", lambda *_: None)
        yield


@pytest.fixture(scope="module")
def few_chart_points() -> Iterator[None]:
    """Charts of wide steps and few instruments, so that what asks for them stays quick."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(entry_map_module, "STEP_MM", 16.0)
        patch.setattr(tilt_chart_module, "STEP_DEG", 15.0)
        patch.setattr(entry_map_module.entry_map, "__defaults__", (16.0, lambda _: None))
        patch.setattr(tilt_chart_module.usual_tilts_deg, "__defaults__", (15.0,))
        diameters = {"sleeve": (8.0, 12.0), "tool": (3.5, 6.0)}
        patch.setattr(instrument_chart_module.instrument_chart, "__defaults__", (diameters, lambda _: None))
        yield


@pytest.fixture(scope="module")
def rehearsal_case(tmp_path_factory) -> Path:
    """A case folder of the toy segment, under a name that must not be revealed."""
    folder = tmp_path_factory.mktemp("rehearsal") / FOLDER
    write_case(folder, toy.scan(), toy.pressed_anatomy())
    return folder


@pytest.fixture(scope="module")
def served(rehearsal_case) -> Iterator[Served]:
    """A server of that case."""
    with served_from(rehearsal_case) as here:
        yield here


@pytest.fixture
def page(served) -> Iterator[Talker]:
    """One page that is connected to it."""
    with served.page() as talker:
        yield talker


@pytest.fixture(scope="session")
def toy_plan() -> dict:
    """The usual start from the left, as a page sends it."""
    return json.loads(json.dumps(asdict(default_approach(toy.pressed_anatomy(), "L3-L4", "left"))))
