"""Templates and styles of the pages we write: everything put into a page is escaped."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from jinja2 import Environment, StrictUndefined, Template


def resource(name: str) -> str:
    """The text of a file that lies beside this module.

    >>> "<!doctype html>" in resource("report/report.html.j2").lower()
    True
    """
    return files("canalwise.workbench").joinpath(name).read_text(encoding="utf-8")


@cache
def template(name: str) -> Template:
    """A page's template; a name it lacks is an error, not a blank."""
    return Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True).from_string(
        resource(name)
    )
