#!/usr/bin/env python3
"""A surgeon's walk over the rehearsal page of a case: clicks and seconds of each step, and pictures of it.

    .venv/bin/python scripts/walk_page.py CASE [--level L3-L4] [--firefox PATH] [--pictures FOLDER] [--only-pictures]

A step ends when its result can be read on the page. `clicks` are presses of the pointer; a drag counts as one, as does
opening a tab. A last column says whether what the step was for begins below the fold of a 1440 x 900 screen.
The load of the machine stands beside the figures: a busy one is slower. With --pictures, every panel is drawn at
1440 x 900, 1024 x 768, 390 x 844 and at 200 % zoom, dark and light.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_page import FLAGS
from page_server import served

WAIT_MS = 600_000
"""Longest wait for anything."""

SCREENS: dict[str, dict[str, Any]] = {
    "1440x900": {"viewport": {"width": 1440, "height": 900}},
    "1024x768": {"viewport": {"width": 1024, "height": 768}},
    "390x844": {"viewport": {"width": 390, "height": 844}},
    "200pc": {"viewport": {"width": 720, "height": 450}, "device_scale_factor": 2},
}
"""Screens by name; a page at 200 % has half as many pixels of style each way."""

NUMBERS = "() => { const now = window.rehearsal?.store.state; return now && now.fresh && !now.moving; }"
VERDICT = f"() => {{ const s = window.rehearsal.store.state; return ({NUMBERS})() && s.answer.estimate.verdict; }}"
CHANCE = f"() => ({VERDICT})() && window.rehearsal.store.state.answer.estimate.chances?.executions"
FRESH_FILMS = "() => [...document.querySelectorAll('.film')].every((one) => one.getAttribute('aria-busy') === 'false')"
RESTED = f"() => ({VERDICT})() && window.rehearsal.store.state.removal"


@dataclass
class Walk:
    """A page being walked over; `rows` gathers (step, clicks, seconds, words)."""

    page: Any
    level: str
    pictures: Path | None
    clicks: int = 0
    rows: list[tuple[str, int, float, str]] = field(default_factory=list)

    def click(self, place: Any) -> None:
        """One press of the pointer."""
        self.clicks += 1
        place.click()

    def until(self, script: str) -> None:
        """Waits for the page's state."""
        self.page.wait_for_function(script, timeout=WAIT_MS)

    @contextmanager
    def step(self, name: str, result: str = "") -> Iterator[None]:
        """A step of the walk; `result` selects what it was for."""
        self.clicks, begun_s = 0, time.monotonic()
        yield
        took_s = time.monotonic() - begun_s
        box = self.page.locator(result).first.bounding_box() if result else None
        below = "below the fold" if box and box["y"] >= self.page.viewport_size["height"] else ""
        self.rows.append((name, self.clicks, took_s, below))
        print(f"{name:34} {self.clicks:6} {took_s:8.1f}   {below}", flush=True)
        if self.pictures:
            self.page.screenshot(path=str(self.pictures / f"step{len(self.rows):02}-{name.replace(' ', '-')}.png"))

    def tab(self, name: str) -> Any:
        """Opens a panel."""
        self.click(self.page.get_by_role("tab", name=name, exact=True))
        return self.page.locator(f"#panel-{name.lower()}")


def opened(walk: Walk, url: str) -> None:
    """From the address to the numbers of the level that is meant."""
    page = walk.page
    with walk.step("open", "dialog#confirm"):
        page.goto(url)
        page.locator("dialog#confirm[open]").wait_for()
    with walk.step("confirm: first numbers", "#outcome-bar"):
        dialog = page.get_by_role("dialog")
        chosen = dialog.locator("input[name='level-meant']:checked").get_attribute("value")
        walk.level = walk.level or chosen
        if chosen != walk.level:
            walk.click(dialog.locator(f"input[value='{walk.level}']"))
        walk.click(dialog.get_by_role("button", name=f"Yes, this is {walk.level}"))
        walk.until(NUMBERS)
    with walk.step("verdict", "#outcome"):
        walk.until(VERDICT)
    with walk.step("chance", "#outcome"):
        walk.until(CHANCE)


def other_side(walk: Walk) -> None:
    """The other side of the patient, and back."""
    page = walk.page
    side = page.evaluate("() => window.rehearsal.store.state.plan.side")
    sides = page.evaluate("level => window.rehearsal.store.state.facts.levels.find((l) => l.name === level).sides",
                          walk.level)  # fmt: skip
    if len(sides) < 2:
        return
    for name in ("Right" if side == "left" else "Left", side.capitalize()):
        with walk.step(f"side {name.lower()}: verdict", "#outcome"):
            walk.click(page.locator("#controls").get_by_role("radio", name=name, exact=True).locator("xpath=.."))
            page.locator("dialog#confirm[open]").wait_for()
            walk.click(page.get_by_role("button", name=f"Yes, this is {walk.level}"))
            walk.until(VERDICT)


def dock(walk: Walk) -> None:
    """The docking mark dragged by a few pixels, seen from dorsal."""
    page = walk.page
    with walk.step("dock: verdict", "#outcome"):
        drawn = page.evaluate("() => window.rehearsal.bench.drawn")
        walk.click(page.get_by_role("button", name="From dorsal"))
        page.wait_for_function("drawn => window.rehearsal.bench.drawn > drawn", arg=drawn, timeout=WAIT_MS)
        box = page.locator("#bench canvas").bounding_box()
        x, y = page.evaluate("() => window.rehearsal.bench.seen('dock')")
        walk.clicks += 1
        page.mouse.move(box["x"] + x, box["y"] + y)
        page.mouse.down()
        page.mouse.move(box["x"] + x + 6, box["y"] + y, steps=3)
        page.mouse.up()
        walk.until(VERDICT)


def search(walk: Walk) -> None:
    """A search, and its best plan taken."""
    with walk.step("search: cards", "#panel-search article"):
        panel = walk.tab("Search")
        walk.click(panel.get_by_role("button", name="Search", exact=True))
        panel.get_by_role("article").first.wait_for(timeout=WAIT_MS)
    with walk.step("adopt: verdict", "#outcome"):
        walk.click(panel.get_by_role("article").first.get_by_role("button", name="Show this plan"))
        walk.page.wait_for_timeout(200)
        if walk.page.locator("dialog#confirm[open]").count():
            walk.click(walk.page.get_by_role("button", name=f"Yes, this is {walk.level}"))
        walk.until(VERDICT)


def compare(walk: Walk) -> None:
    """All accesses against each other."""
    with walk.step("compare: table", "#panel-compare table"):
        panel = walk.tab("Compare")
        walk.click(panel.get_by_role("button", name="Find the best plan of each access"))
        panel.get_by_role("region", name="Table of the accesses").locator("tbody tr").first.wait_for(timeout=WAIT_MS)


def sheet(walk: Walk) -> None:
    """Both radiographs, and the sheet in a window of its own."""
    with walk.step("sheet: radiographs", "#panel-sheet .film"):
        panel = walk.tab("Sheet")
        walk.until(FRESH_FILMS)
    with walk.step("sheet made", "#panel-sheet .made a"):
        walk.click(panel.get_by_role("button", name="Make the theatre sheet"))
        panel.get_by_role("link", name="Open the sheet: ").wait_for(timeout=WAIT_MS)
    # the page behind the sheet's own window would not be drawn
    for other in walk.page.context.pages:
        if other is not walk.page:
            other.close()
    walk.page.bring_to_front()


def panels(walk: Walk, folder: Path) -> None:
    """Every panel on every screen, dark and light."""
    page = walk.page
    for theme in ("dark", "light"):
        page.evaluate("theme => window.rehearsal.store.look({theme})", theme)
        for screen, made in SCREENS.items():
            page.set_viewport_size(made["viewport"])
            for tab in page.get_by_role("tab").all_text_contents():
                page.evaluate("panel => window.rehearsal.store.look({panel})", tab.lower())
                page.evaluate("() => scrollTo(0, 0)")
                page.wait_for_timeout(900)
                whole = screen in ("390x844", "200pc")
                page.screenshot(path=str(folder / f"{theme}-{screen}-{tab.lower()}.png"), full_page=whole)


def browser_of(driver: Any, firefox: str) -> Any:
    """Chromium, or the Firefox of that path (one that draws in software needs a display)."""
    if not firefox:
        return driver.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
    return driver.firefox.launch(
        channel="moz-firefox", executable_path=firefox, headless=not os.environ.get("DISPLAY"),
        firefox_user_prefs={"webgl.force-enabled": True, "webgl.forbid-software": False},
    )  # fmt: skip


def without_policy(route: Any) -> None:
    """The page's document without its content security policy: Firefox's driver evaluates by what that forbids."""
    given = route.fetch()
    headers = {name: value for name, value in given.headers.items() if name != "content-security-policy"}
    route.fulfill(response=given, headers=headers)


def walked(case: Path, options: argparse.Namespace) -> None:
    """The walk, printed as it goes."""
    from playwright.sync_api import Error, sync_playwright

    server, folder = served(case), options.pictures
    steps: tuple[Callable[[Walk], None], ...] = (other_side, dock, search, compare, sheet)
    try:
        with sync_playwright() as driver:
            browser = browser_of(driver, options.firefox)
            context = browser.new_context(**SCREENS["1440x900"])
            walk = Walk(context.new_page(), options.level, folder)
            walk.page.set_default_timeout(WAIT_MS)
            if options.firefox:
                walk.page.route("**/", without_policy)
            walk.page.on("pageerror", lambda error: print("page error:", error))
            walk.page.on("console", lambda said: print("console:", said.text) if said.type == "error" else None)
            opened(walk, server.url)
            for step in () if options.only_pictures else steps:
                step(walk)
            if folder:
                walk.until(RESTED)
                panels(walk, folder)
            with suppress(Error):
                browser.close()
    finally:
        server.stop()
    print(f"{'all':34} {sum(row[1] for row in walk.rows):6} {sum(row[2] for row in walk.rows):8.1f}")


def main() -> int:
    """Walks and prints."""
    parser = argparse.ArgumentParser(description="Walk over the rehearsal page as a surgeon would.")
    parser.add_argument("case", type=Path)
    parser.add_argument("--level", default="", help="the level (usual: the one that the page proposes)")
    parser.add_argument("--firefox", default="", metavar="PATH", help="a Firefox to walk in instead of Chromium")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="where to put pictures")
    parser.add_argument("--only-pictures", action="store_true", help="open and confirm only, then draw the panels")
    options = parser.parse_args()
    if options.pictures:
        options.pictures.mkdir(parents=True, exist_ok=True)
    print(f"load {os.getloadavg()[0]:.1f}\n{'step':34} {'clicks':>6} {'seconds':>8}")
    walked(options.case, options)
    print(f"load {os.getloadavg()[0]:.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
