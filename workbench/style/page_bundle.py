"""What the page's own build leaves for the browser: scripts and styles."""

from __future__ import annotations

from importlib.resources import files

from canalwise.recon.errors import BadFile

BUILD = "Install canalwise again, or in a checkout run 'npm ci' and 'node build.mjs' in workbench/page."

VIEWER, VIEWER_STYLE = "viewer.js", "viewer.css"
"""Of the turnable scene in reports and shared pages."""


def page_file(name: str) -> bytes:
    """A built file of the page.

    Raises
    ------
    BadFile : the page was never built

    >>> page_file("viewer.css")[:0]
    b''
    """
    file = files("canalwise.workbench").joinpath("page", "dist", name)
    if not file.is_file():
        raise BadFile("the page", "must have been built", got=f"no {name}", do=BUILD)
    return file.read_bytes()


def check_page_built() -> None:
    """Raises BadFile where the page was never built: asked before the long work whose result quotes it."""
    page_file(VIEWER)


def page_text(name: str) -> str:
    """The same as text.

    >>> "{" in page_text("viewer.css")
    True
    """
    return page_file(name).decode()
