#!/usr/bin/env python3
"""Take the README's two pictures, the rehearsal page and the report, from a case: docs/pictures/page.jpg, report.jpg.

    python3 scripts/readme_pictures.py CASE [--level L3-L4] [--only page|report]

CASE is a folder that `canalwise demo` left, with its report. Needs a Chromium on this machine and the developers'
environment; a headless browser draws in software, which takes a minute or two.
"""

from __future__ import annotations

import argparse
import io
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from page_server import served
from PIL import Image
from playwright.sync_api import sync_playwright

PICTURES = Path(__file__).resolve().parents[1] / "docs" / "pictures"

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
FLAGS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-background-networking"]

PAGE_SCREEN: Any = {"width": 1440, "height": 900}
REPORT_SCREEN: Any = {"width": 980, "height": 760}
WAIT_MS = 1_200_000
"""A busy machine that draws in software is slow, and slowness is no failure."""

LARGEST_BYTES = 300_000
"""Of each picture."""

QUALITIES = (88, 80, 72, 64, 56)
"""Tried from the best on until the picture is small enough."""

RESTED = """() => {
  const {state} = window.rehearsal.store;
  const answered = state && state.answer && state.answer.estimate.samples > 0;
  return Boolean(answered && state.fresh && !state.moving && state.removal);
}"""

DRAWN = "() => ['bench', 'scope', 'slices'].every((picture) => window.rehearsal[picture].drawn > 0)"


def jpeg_bytes(png: bytes) -> bytes:
    """A screenshot as JPEG within LARGEST_BYTES; raises ValueError where no quality makes it so."""
    with Image.open(io.BytesIO(png)) as picture:
        for quality in QUALITIES:
            buffer = io.BytesIO()
            picture.convert("RGB").save(buffer, format="jpeg", quality=quality, optimize=True)
            if buffer.tell() <= LARGEST_BYTES:
                return buffer.getvalue()
    raise ValueError(f"the picture is larger than {LARGEST_BYTES} bytes at every quality")


def picture_of_page(browser: Any, case: Path, level: str) -> bytes:
    """The rehearsal page with its level confirmed and its numbers worked out."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(shutil.copytree(case, Path(folder) / "case"))
        server = served(copy)
        try:
            page = browser.new_page(viewport=PAGE_SCREEN)
            page.set_default_timeout(WAIT_MS)
            page.goto(server.url)
            dialog = page.get_by_role("dialog")
            dialog.locator(f"input[value='{level}']").check()
            dialog.get_by_role("button", name=f"Yes, this is {level}").click()
            page.wait_for_function(RESTED)
            page.wait_for_function(DRAWN)
            return bytes(page.screenshot())
        finally:
            server.stop()


def picture_of_report(browser: Any, case: Path, level: str) -> bytes:
    """The top of the report."""
    page = browser.new_page(viewport=REPORT_SCREEN)
    page.set_default_timeout(WAIT_MS)
    page.goto((case / "report.html").resolve().as_uri())
    page.get_by_text(level).first.wait_for()
    return bytes(page.screenshot())


TAKEN: dict[str, Callable[[Any, Path, str], bytes]] = {"page": picture_of_page, "report": picture_of_report}


def main() -> int:
    """0 when the pictures are written."""
    parser = argparse.ArgumentParser(description="Take the README's pictures from a case.")
    parser.add_argument("case", type=Path)
    parser.add_argument("--level", default="L3-L4")
    parser.add_argument("--only", choices=tuple(TAKEN))
    options = parser.parse_args()
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        sys.exit("There is no Chromium on this machine; install the package 'chromium'.")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=FLAGS)
        for name, take in TAKEN.items():
            if options.only in (None, name):
                (PICTURES / f"{name}.jpg").write_bytes(jpeg_bytes(take(browser, options.case, options.level)))
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
