"""The rehearsal page in a real browser: one server on a made-up spine, one headless browser, a page to each test.

Pictures and state are asserted on, never milliseconds: the graphics are drawn in software here.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_server import Served, served

from canalwise.phantoms.spec import demo_spec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.case.folder import write_case
from canalwise.recon.scan import Scan
from canalwise.workbench.demonstration import phantom_case
from tests.browser.rehearsal import Rehearsal
from tests.shared import shared

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
QUIET = (
    "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-quic",
)  # fmt: skip
SOFTWARE_GL = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")
NO_GL = ("--disable-gpu", "--disable-3d-apis")

FIREFOX = os.environ.get("CANALWISE_FIREFOX", "")
"""A Firefox to try the page in instead of Chromium; one that draws in software needs a display (such as Xvfb)."""

FIREFOX_PREFERENCES = {"webgl.force-enabled": True, "webgl.forbid-software": False}

LEVEL = "L3-L4"
ALWAYS = ("test_numbers.py", "test_report_page.py")
"""Run with every other test."""

SCREENS: dict[str, Any] = {
    "desk": {"width": 1440, "height": 900},
    "small": {"width": 1024, "height": 768},
    "phone": {"width": 390, "height": 844},
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Most of these only run where asked for. (Each file keeps to one worker: two browsers would starve each other.)"""
    here = Path(__file__).parent
    whole = pytest.mark.skip(reason="takes many minutes: set CANALWISE_BROWSER=all to try the whole page")
    for item in items:
        left_out = item.path.name not in ALWAYS and os.environ.get("CANALWISE_BROWSER") != "all"
        if here in item.path.parents and left_out:
            item.add_marker(whole)


@pytest.fixture(scope="session")
def browser_path() -> str:
    """A browser on this machine; skips where there is none."""
    if FIREFOX:
        return FIREFOX
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("no Chromium on this machine; install the package 'chromium' to try the page")
    return found


@pytest.fixture(scope="session")
def browsers(browser_path: str) -> Iterator[Any]:
    """Starts browsers: call it with further command-line flags; all are closed at the end."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened: dict[tuple[str, ...], Any] = {}

        def browser(*flags: str) -> Any:
            if FIREFOX:
                flags = flags if flags == NO_GL else ()  # the only one that means anything there
            if flags not in opened and FIREFOX:
                without = {"webgl.disabled": flags == NO_GL}
                opened[flags] = driver.firefox.launch(
                    channel="moz-firefox", executable_path=browser_path, headless=not os.environ.get("DISPLAY"),
                    firefox_user_prefs=FIREFOX_PREFERENCES | without,
                )  # fmt: skip
            if flags not in opened:
                arguments = ["--no-sandbox", *QUIET, *flags]
                opened[flags] = driver.chromium.launch(executable_path=browser_path, args=arguments)
            return opened[flags]

        yield browser
        for each in opened.values():
            each.close()


def new_page(session: Any) -> Any:
    """A page. Firefox's driver evaluates by what the page's policy forbids, so there the page comes without it."""
    page = session.new_page()
    if FIREFOX:
        page.route("**/", without_policy)
    return page


def without_policy(route: Any) -> None:
    """Answers a request for the page's document, its content security policy left out."""
    given = route.fetch()
    headers = {name: value for name, value in given.headers.items() if name != "content-security-policy"}
    route.fulfill(response=given, headers=headers)


@shared
def _made() -> tuple[Scan, Anatomy]:
    """The demonstration's spine."""
    scan, given = phantom_case(demo_spec(), LEVEL)
    return scan, anatomy_of(scan, given=given)


@pytest.fixture(scope="session")
def made_case(browser_path: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demonstration's spine as a case, without its report; not made where there is no browser to show it in."""
    folder = tmp_path_factory.mktemp("rehearsal") / "case"
    write_case(folder, *_made())
    return folder


@pytest.fixture
def own_case(made_case: Path, tmp_path: Path) -> Path:
    """A copy of the case, to write into."""
    return Path(shutil.copytree(made_case, tmp_path / "case"))


@pytest.fixture
def own_server(own_case: Path) -> Iterator[Served]:
    """A server of one's own, to be killed or to have its case taken away."""
    one = served(own_case)
    yield one
    one.stop()


@pytest.fixture(scope="session")
def server(made_case: Path) -> Iterator[Served]:
    """The server that tests share which leave nothing behind."""
    one = served(made_case)
    yield one
    one.stop()


@pytest.fixture
def opened(browsers: Any) -> Iterator[Any]:
    """Opens pages, each in a browser session of its own: call it with an address; a page that complained fails."""
    sessions: list[Any] = []
    pages: list[Rehearsal] = []

    def page_at(url: str, screen: str = "desk", flags: tuple[str, ...] = SOFTWARE_GL) -> Rehearsal:
        session = browsers(*flags).new_context(viewport=SCREENS[screen])
        sessions.append(session)
        pages.append(Rehearsal(new_page(session)).open(url))
        return pages[-1]

    yield page_at
    for session in sessions:
        session.close()
    assert [complaint for page in pages for complaint in page.wrong] == []


@pytest.fixture
def rehearsal(server: Served, opened: Any) -> Rehearsal:
    """A page on the shared server with its level confirmed and its numbers worked out."""
    page: Rehearsal = opened(server.url).confirm(LEVEL).rest()
    return page


@pytest.fixture(scope="module")
def open_page(server: Served, browsers: Any) -> Iterator[Rehearsal]:
    """A page that the tests of a module share, drawn and with its level confirmed."""
    session = browsers(*SOFTWARE_GL).new_context(viewport=SCREENS["desk"])
    yield Rehearsal(new_page(session)).open(server.url).confirm(LEVEL).begin_anew(LEVEL).rest().drawn()
    session.close()


@pytest.fixture
def at_start(open_page: Rehearsal) -> Iterator[Rehearsal]:
    """The module's page, begun anew; it must not complain."""
    open_page.page.set_viewport_size(SCREENS["desk"])
    yield open_page.begin_anew(LEVEL).rest()
    complaints, open_page.wrong = open_page.wrong, []
    assert complaints == []
