"""Charts, search and comparison on the page: the plan is moved on them, and what they tell is the server's."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.browser.conftest import LEVEL, SCREENS
from tests.browser.rehearsal import LONG_WAIT_MS, Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

TILT_STEP_DEG = 2.5

AIMED_MM = 2.0
"""An entry of the map lies on the line from docking point to pivot. The first phase is then turned to its own side's
recess about that pivot, so its axis leaves the skin a little beside it: by less than half a step of the map."""

CHART = "#panel-charts .chart.angle"
FRESH_CHART = f"() => document.querySelector('{CHART}').getAttribute('aria-busy') === 'false'"


@pytest.fixture
def tilts(rehearsal: Rehearsal) -> Rehearsal:
    """The page with the angle chart worked out."""
    rehearsal.do("store.look({phase: 1})")
    rehearsal.panel("Charts")
    rehearsal.page.wait_for_function(FRESH_CHART)
    return rehearsal


def choose_chart(page: Rehearsal, name: str) -> None:
    page.page.get_by_role("radio", name=name, exact=True).check(force=True)


def start(page: Rehearsal, words: str, made: str) -> Any:
    """Starts a long question and waits for what it makes."""
    page.page.get_by_role("button", name=words).click()
    found = page.page.locator(made)
    found.first.wait_for()
    return found


def unpinned(page: Rehearsal) -> Any:
    """The panel to compare on, without what another page of the same case has pinned."""
    page.do("store.set({pins: []})")
    return page.panel("Compare")


def test_keys_on_the_tilt_chart_move_the_plan_and_undo_brings_it_back(tilts: Rehearsal) -> None:
    stage, plan = tilts.page.locator(f"{CHART} [role=slider]"), tilts.state("plan")

    def tilt() -> float:
        return float(stage.get_attribute("aria-valuenow"))

    before = tilt()
    stage.focus()
    tilts.page.keyboard.press("ArrowRight")
    first = tilt()
    tilts.page.keyboard.press("ArrowRight")
    assert 0 < first - before <= TILT_STEP_DEG
    assert tilt() == pytest.approx(first + TILT_STEP_DEG)
    assert stage.get_attribute("aria-valuetext").startswith(f"{tilt():.1f}\u00b0: ")
    assert tilts.state("plan") != plan
    tilts.do("store.undo(); store.undo();")
    assert tilts.state("plan") == plan


def test_dragging_on_the_tilt_chart_is_one_step_of_undo(tilts: Rehearsal) -> None:
    box, before, mouse = tilts.page.locator(f"{CHART} svg").first.bounding_box(), tilts.state("plan"), tilts.page.mouse
    mouse.move(box["x"] + 120, box["y"] + 60)
    mouse.down()
    mouse.move(box["x"] + 160, box["y"] + 60, steps=5)
    assert tilts.state("moving")
    mouse.up()
    assert not tilts.state("moving")
    assert tilts.state("plan") != before
    tilts.do("store.undo()")
    assert tilts.state("plan") == before


def test_the_tilt_chart_is_grey_until_it_is_that_of_the_plan(tilts: Rehearsal) -> None:
    before = tilts.page.locator(f"{CHART} .readout").text_content()
    held = tilts.do("const p = store.state.plan; const [x, y, z] = p.docking_point_mm;"
                    "store.choose({...p, docking_point_mm: [x + 1.5, y, z]});"
                    f"const chart = document.querySelector('{CHART}');"
                    "return [chart.getAttribute('aria-busy'), chart.classList.contains('stale')];")  # fmt: skip
    assert held == ["true", True]
    tilts.page.wait_for_function(FRESH_CHART)
    assert tilts.page.locator(f"{CHART} .readout").text_content() != before


def test_the_tilt_chart_can_be_read_as_a_table(tilts: Rehearsal) -> None:
    tilts.page.locator(f"{CHART} summary").click()
    rows = tilts.page.locator(f"{CHART} table tbody tr")
    low, high = (
        float(tilts.page.locator(f"{CHART} [role=slider]").get_attribute(f"aria-value{end}")) for end in ("min", "max")
    )
    assert rows.count() >= (high - low) / TILT_STEP_DEG


def test_an_entry_is_chosen_on_the_map_by_keys(tilts: Rehearsal) -> None:
    choose_chart(tilts, "Skin entry")
    start(tilts, "Work out the entry map", "#panel-charts [role=gridcell]")
    cell = tilts.page.locator("#panel-charts [role=gridcell][tabindex='0']")
    cell.focus()
    tilts.page.keyboard.press("ArrowUp")
    chosen = tilts.page.locator("#panel-charts [role=gridcell]:focus").get_attribute("aria-label")
    steps = tilts.steps_back
    tilts.page.keyboard.press("Enter")
    tilts.until("store.kept().past.length > argument", steps).rest()
    entry = tilts.state("answer.estimate.skin_entry")
    lateral, cranial = map(float, re.findall(r"(\d+) mm", chosen)[:2])
    assert entry["lateral_mm"] == pytest.approx(lateral, abs=AIMED_MM)
    assert abs(entry["cranial_mm"]) == pytest.approx(cranial, abs=AIMED_MM)
    assert tilts.page.locator("#panel-charts [role=gridcell][aria-selected=true]").get_attribute("aria-label") == chosen


def test_a_diameter_is_chosen_on_the_instrument_chart(tilts: Rehearsal) -> None:
    choose_chart(tilts, "Instrument")
    start(tilts, "Work out the instrument chart", "#panel-charts .curve")
    tilts.page.get_by_role("slider", name="Diameter of the tool, mm").focus()
    tilts.page.keyboard.press("ArrowRight")
    assert tilts.state("plan.channel.tool_diameter_mm") == 4.0
    assert "Entered anew" in tilts.page.locator("#panel-charts .curve").last.text_content()


def test_a_search_can_be_stopped_and_what_it_found_looked_through(rehearsal: Rehearsal) -> None:
    panel, before = rehearsal.panel("Search"), rehearsal.state("plan")
    panel.get_by_role("radio", name="thorough").check(force=True)
    panel.get_by_role("button", name="Search", exact=True).click()
    # stopped sooner, a search may not have met a plan that keeps all limits, and then has no front
    panel.get_by_text(re.compile(r"\d{3} approaches looked at")).wait_for(timeout=LONG_WAIT_MS)
    panel.get_by_role("button", name="Stop").click()
    panel.get_by_role("article").first.wait_for()
    assert "Stopped early" in panel.text_content()
    panel.get_by_role("listbox").focus()
    rehearsal.page.keyboard.press("End")
    rehearsal.page.keyboard.press("Enter")
    rehearsal.until("store.kept().past.length > 0").confirm_if_requested()  # it may be one from the other side
    last = panel.get_by_role("option").last
    assert last.get_attribute("aria-selected") == "true"
    assert f"From the {rehearsal.state('plan.side')}" in last.get_attribute("aria-label")
    panel.get_by_role("button", name="Show this plan: least bone").click()
    rehearsal.confirm_if_requested()
    assert rehearsal.state("plan") != before
    rehearsal.do("store.undo(); store.undo();")
    assert rehearsal.state("plan") == before


def test_a_search_without_a_side_cannot_begin(rehearsal: Rehearsal) -> None:
    panel = rehearsal.panel("Search")
    for side in ("left", "right"):
        panel.get_by_label(side, exact=True).uncheck()
    assert panel.get_by_role("button", name="Search", exact=True).is_disabled()
    assert "Choose a side" in panel.text_content()


def test_pinned_plans_are_held_against_the_first(rehearsal: Rehearsal) -> None:
    panel = unpinned(rehearsal)
    panel.get_by_role("button", name="Pin this plan").click()
    panel.get_by_role("button", name="Pin this plan").click()
    rehearsal.do("const p = store.state.plan; store.choose({...p, phases: p.phases.map((x, i) => "
                 "i ? {...x, medial_tilt_deg: x.medial_tilt_deg + 6} : x)});")  # fmt: skip
    rehearsal.rest()
    panel.get_by_role("button", name="Pin this plan").click()
    panel.get_by_label("a midline laminectomy, as a reference").check()
    rehearsal.page.wait_for_function("() => document.querySelector('.pin-table').getAttribute('aria-busy') === 'false'"
                                     " && document.querySelectorAll('.pin-table thead th').length === 4")  # fmt: skip
    bone = [cell.text_content() for cell in panel.locator(".pinned tbody tr").nth(3).locator("td").all()]
    shown = rehearsal.state("answer.estimate.cone.bone_removed_mm3")
    low, high = shown["interval95"]
    assert bone[2].startswith(f"{shown['total']:.0f} mm\u00b3 ({low:.0f}\u2013{high:.0f})")
    assert "no difference" not in bone[0]
    assert bone[1] == f"{bone[0]}no difference"
    assert "+" in bone[3]
    panel.get_by_role("button", name="Show:").first.click()
    assert rehearsal.state("plan") == rehearsal.state("pins[0].plan")


def test_pins_have_names_and_can_be_taken_off(rehearsal: Rehearsal) -> None:
    panel = unpinned(rehearsal)
    for _ in range(4):
        panel.get_by_role("button", name="Pin this plan").click()
    assert panel.get_by_role("button", name="Pin this plan").is_disabled()
    name = panel.get_by_label("Name of pin B")
    name.fill("flatter")
    name.press("Enter")
    name.blur()
    assert rehearsal.state("pins[1].name") == "flatter"
    panel.get_by_role("button", name="Make first: flatter").click()
    assert rehearsal.state("pins[0].name") == "flatter"
    panel.get_by_role("button", name="Unpin: flatter").click()
    assert len(rehearsal.state("pins")) == 3


@pytest.mark.parametrize("panel", ["Charts", "Search", "Compare"])
def test_nothing_is_wider_than_a_phone(opened: Any, server: Any, panel: str) -> None:
    page = opened(server.url, "phone").confirm(LEVEL).rest()
    page.panel(panel)
    if panel == "Charts":
        page.page.wait_for_function(FRESH_CHART)
    wide = page.page.evaluate("() => document.documentElement.scrollWidth")
    assert wide <= SCREENS["phone"]["width"]
