#!/usr/bin/env python3
"""Build the documentation site into `site`: pages of docs/ and the docstrings, without warnings and without a network.

    python3 scripts/docs.py [MKDOCS ARGUMENT ...]

Makes an environment of its own in `.venv-docs` from `requirements-docs.lock` first, once. The sources are read, never
imported, so that canalwise itself need not be installed.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import venv
from pathlib import Path

from environment import ROOT, clean_environ, run_and_exit, say

DOCS_LOCK = ROOT / "requirements-docs.lock"
DOCS_VENV = ROOT / ".venv-docs"
SITE = ROOT / "site"

FETCHED = re.compile(
    r"""<(?:script|img|iframe|audio|video|source)\b[^>]*\bsrc=["']?(?:https?:)?//[^"'\s>]+"""
    r"""|<link\b(?![^>]*rel=["']?canonical)[^>]*\bhref=["']?(?:https?:)?//[^"'\s>]+"""
    r"""|(?:@import\s*|url\(\s*)["']?(?:https?:)?//[^"')\s]+"""
)
"""What a browser fetches from elsewhere when it shows a page."""


def fetched_from_outside(site: Path) -> list[str]:
    """'file: what', for all that pages and style sheets of a site fetch from another host."""
    files = [path for ending in ("html", "css") for path in sorted(site.rglob(f"*.{ending}"))]
    return [f"{path.relative_to(site)}: {found[0]}" for path in files for found in FETCHED.finditer(path.read_text())]


def main() -> int:
    """Exit status of the build; 1 where the site would fetch something from outside."""
    mkdocs = _environment() / "mkdocs"
    built = subprocess.run(
        [mkdocs, "build", "--strict", *sys.argv[1:]], cwd=ROOT, env=clean_environ(NO_MKDOCS_2_WARNING="1")
    )
    if built.returncode:
        return built.returncode
    if outside := fetched_from_outside(SITE):
        say("The site would fetch from outside:\n" + "\n".join(outside))
        return 1
    say(f"The site is {SITE.name}/index.html")
    return 0


def _environment() -> Path:
    """The folder of its commands, made first where the lock has changed."""
    commands, stamp = DOCS_VENV / ("Scripts" if os.name == "nt" else "bin"), DOCS_VENV / "docs.stamp"
    if stamp.is_file() and stamp.read_bytes() == DOCS_LOCK.read_bytes():
        return commands
    say(f"Making the environment of the documentation in {DOCS_VENV.name} (once; a minute and a network).")
    venv.create(DOCS_VENV, clear=True, with_pip=True)
    pip: list[str | Path] = [commands / "python", "-m", "pip", "install", "-q", "--require-hashes", "-r", DOCS_LOCK]
    subprocess.run(pip, check=True, env=clean_environ())
    stamp.write_bytes(DOCS_LOCK.read_bytes())
    return commands


if __name__ == "__main__":
    run_and_exit(main)
