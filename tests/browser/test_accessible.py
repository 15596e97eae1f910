"""Anyone can work the page: no barrier that axe-core knows of, every region by Tab, the focus always seen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import LEVEL, SCREENS
from tests.browser.rehearsal import Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

AXE = Path(__file__).parents[2] / "workbench/page/node_modules/axe-core/axe.min.js"

RUN_AXE = """async () => {
  const {violations} = await axe.run(document, {resultTypes: ['violations']});
  return violations.flatMap(({id, impact, nodes}) =>
    nodes.map((node) => `${id} (${impact}): ${node.target.join(' ')}: ${node.failureSummary}`));
}"""

FOCUSED = """() => {
  const one = document.activeElement;
  if (one === document.body) return null;
  const seen = one.matches('.segment input') ? one.nextElementSibling : one;
  const style = getComputedStyle(seen);
  const box = seen.getBoundingClientRect();
  const reported = one.getAttribute('aria-label') || one.labels?.[0]?.textContent || one.textContent;
  const region = one.closest('#top, #controls, #bench, #tabs, .panel, #scope, #numbers, nav')?.id || 'skips';
  return {region, name: `${one.tagName} ${reported.slice(0, 40)}`,
    marked: (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2) || style.boxShadow !== 'none',
    inside: box.bottom > 0 && box.right > 0 && box.top < innerHeight && box.left < innerWidth};
}"""

MOST_TABS = 400
"""More presses of Tab than there are controls: whoever needs more is trapped."""


@pytest.fixture(scope="module")
def axe() -> str:
    """The checker's own text; it is put in from outside, as the page lets no script but its own in."""
    if not AXE.exists():
        pytest.skip("axe-core is not installed: run `npm ci` in workbench/page")
    return AXE.read_text(encoding="utf-8")


def barriers(page: Rehearsal, axe: str) -> list[str]:
    page.page.evaluate(axe)
    found: list[str] = page.page.evaluate(RUN_AXE)
    return found


def light(page: Rehearsal) -> None:
    page.page.locator("#theme").click()


def unfolded(page: Rehearsal) -> None:
    page.page.evaluate("document.querySelectorAll('#main details').forEach((fold) => (fold.open = true))")


def charts_drawn(page: Rehearsal) -> None:
    panel = page.panel("Charts")
    page.until("document.querySelector('.chart.angle').getAttribute('aria-busy') === 'false'")
    unfolded(page)
    for name, words, made in (
        ("Skin entry", "Work out the entry map", "[role=gridcell]"),
        ("Instrument", "Work out the instrument chart", ".curve"),
    ):
        panel.get_by_role("radio", name=name, exact=True).click()
        panel.get_by_role("button", name=words).click()
        panel.locator(made).first.wait_for()


def search_made(page: Rehearsal) -> None:
    panel = page.panel("Search")
    panel.get_by_role("button", name="Search", exact=True).click()
    panel.get_by_text("approaches looked at").wait_for()
    if panel.get_by_role("button", name="Stop").is_visible():
        panel.get_by_role("button", name="Stop").click()
    panel.get_by_role("article").first.wait_for()


def pins_held(page: Rehearsal) -> None:
    panel = page.panel("Compare")
    panel.get_by_role("button", name="Pin this plan").click()
    page.do("const p = store.state.plan; store.choose({...p, pivot_distance_mm: p.pivot_distance_mm + 5});")
    panel.get_by_role("button", name="Pin this plan").click()
    page.until("document.querySelectorAll('.pin-table thead th').length >= 2"
               " && document.querySelectorAll('.pin-views img').length === 4")  # fmt: skip


def question_shown(page: Rehearsal) -> None:
    panel = page.panel("Lesson")
    panel.locator("#lesson-next").click()
    for _ in range(12):
        if panel.locator(".lesson-question input").count():
            return
        panel.locator("#lesson-next").click()
    raise AssertionError("no step of the first lesson asks a question")


def radiographs_drawn(page: Rehearsal) -> None:
    page.panel("Sheet")
    page.until("[...document.querySelectorAll('.film')].every((film) => film.getAttribute('aria-busy') === 'false')")


def keys_listed(page: Rehearsal) -> None:
    page.page.locator("#keys").click()


def plans_listed(page: Rehearsal) -> None:
    page.page.locator("#plan-name").click()


def level_confirmation_shown(page: Rehearsal) -> None:
    page.page.locator("#level-badge").click()
    for fold in page.page.locator("#confirm summary").all():
        fold.click()


def measured(page: Rehearsal) -> None:
    """Cut open, seen through, and an angle measured."""
    unfolded(page)
    page.do("store.look({clip: 'sagittal', bone_opacity: 0.4});"
            "store.set({measurement: {kind: 'angle', points: [[0, 9, 0], [0, 0, 0], [9, 0, 0]]}});")  # fmt: skip
    assert page.page.locator("#measured").text_content().startswith("angle 90.0")


def stale(page: Rehearsal) -> None:
    page.do("const p = store.state.plan; store.move({...p, pivot_distance_mm: p.pivot_distance_mm + 1});")


SHOWN: dict[str, Callable[[Rehearsal], None]] = {
    "dark": lambda page: None, "light": light, "unfolded": unfolded, "charts": charts_drawn, "search": search_made,
    "compare": pins_held, "lesson": question_shown, "sheet": radiographs_drawn, "keys": keys_listed,
    "plans": plans_listed, "level": level_confirmation_shown, "measured": measured, "stale": stale,
}  # fmt: skip


@pytest.mark.parametrize("shown", SHOWN)
def test_nothing_shown_has_a_barrier(at_start: Rehearsal, axe: str, shown: str) -> None:
    SHOWN[shown](at_start)
    assert barriers(at_start, axe) == []


@pytest.mark.parametrize("shown", ["charts", "search", "compare", "lesson", "sheet"])
def test_nothing_made_earlier_has_a_barrier_in_light(at_start: Rehearsal, axe: str, shown: str) -> None:
    """What the tests before have made stands there still."""
    at_start.panel(shown.capitalize())
    light(at_start)
    if shown == "lesson":
        at_start.until("document.querySelector('.lesson-body').getAttribute('aria-busy') !== 'true'")
    assert barriers(at_start, axe) == []


@pytest.mark.parametrize("theme", ["dark", "light"])
def test_a_phone_has_no_barrier(at_start: Rehearsal, axe: str, theme: str) -> None:
    at_start.page.set_viewport_size(SCREENS["phone"])
    if theme == "light":
        light(at_start)
    assert barriers(at_start, axe) == []


def test_asking_for_the_level_at_the_start_has_no_barrier(server: Any, opened: Any, axe: str) -> None:
    page = opened(server.url)
    page.page.locator("dialog#confirm[open]").wait_for()
    assert barriers(page, axe) == []
    page.page.get_by_role("button", name="Not now, only look").click()
    assert barriers(page, axe) == []


def tab_through(page: Rehearsal, key: str) -> list[dict[str, Any]]:
    """What takes the focus from the first link on, or backward from behind the last, until it has left the page."""
    found: list[dict[str, Any]] = []
    if key == "Tab":
        page.page.emulate_media(reduced_motion="reduce")
        page.page.get_by_role("link", name="Skip to the scene").focus()
        # a browser marks the focus once keys have moved it
        page.page.keyboard.press("Tab")
        page.page.keyboard.press("Shift+Tab")
        found.append(page.page.evaluate(FOCUSED))
    for _ in range(MOST_TABS):
        page.page.keyboard.press(key)
        here = page.page.evaluate(FOCUSED)
        if here is None:
            return found
        found.append(here)
    raise AssertionError(f"{key} never leaves the page; it was last at {found[-5:]}")


@pytest.mark.parametrize("panel", ["Slices", "Charts", "Search", "Compare", "Lesson", "Sheet"])
def test_tab_reaches_every_region_and_is_seen_on_each_control(at_start: Rehearsal, panel: str) -> None:
    at_start.panel(panel)
    found = tab_through(at_start, "Tab")
    order = list(dict.fromkeys(one["region"] for one in found))
    wanted = ["skips", "top", "controls", "bench", "tabs", f"panel-{panel.lower()}", "scope", "numbers"]
    assert order == wanted
    assert [one["name"] for one in found if not one["marked"]] == []
    assert [one["name"] for one in found if not one["inside"]] == []


def test_tab_goes_back_the_way_it_came(at_start: Rehearsal) -> None:
    there, back = tab_through(at_start, "Tab"), tab_through(at_start, "Shift+Tab")
    assert [one["name"] for one in back] == [one["name"] for one in there[::-1]]


def test_a_dialog_keeps_the_focus_and_gives_it_back(at_start: Rehearsal) -> None:
    at_start.page.locator("#level-badge").focus()
    at_start.page.keyboard.press("Enter")
    for _ in range(8):
        at_start.page.keyboard.press("Tab")
        # between its last and its first control the focus is on the browser's own bar
        assert at_start.page.evaluate("document.activeElement.closest('dialog, body').id") in ("confirm", "")
    at_start.page.keyboard.press("Escape")
    assert at_start.page.evaluate("document.activeElement.id") == "level-badge"
    assert at_start.state("plan.level") == LEVEL
