"""What was done can be undone, is there after a reload, and is kept under a name without replacing another unasked."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import WAIT_MS, Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

OTHER_LEVEL = "L4-L5"

MOVES = 3
"""Movements after each of which the autosave is read until it holds the plan."""

LOOK_MS = 5
"""Between two looks at the autosave."""


def slide_far_tilt(page: Rehearsal, keys: int = 3) -> None:
    """Moves the tilt over the top by arrow keys, and waits until the movement has ended."""
    page.page.locator("#far-tilt input[type=range]").focus()
    for _ in range(keys):
        page.page.keyboard.press("ArrowRight")
    page.until("!store.state.moving")


def dock_elsewhere(page: Rehearsal) -> None:
    """Drags the docking mark a little in the scene."""
    page.until("bench.seen('dock') !== null")
    box, (x, y) = page.page.locator("#bench canvas").bounding_box(), page.do("return bench.seen('dock')")
    before, mouse = page.state("plan.docking_point_mm"), page.page.mouse
    mouse.move(box["x"] + x, box["y"] + y)
    mouse.down()
    mouse.move(box["x"] + x + 12, box["y"] + y + 4, steps=4)
    mouse.up()
    page.until("!store.state.moving && JSON.stringify(store.state.plan.docking_point_mm) !== argument",
               json.dumps(before, separators=(",", ":")))  # fmt: skip


def choose_level(page: Rehearsal, level: str) -> None:
    page.page.locator("#level").select_option(level)
    page.until("store.state.plan.level === argument", level)
    page.confirm(level)


def test_tilt_docking_and_level_are_undone_and_redone_in_turn(at_start: Rehearsal) -> None:
    passed = [at_start.state("plan")]
    for act in (slide_far_tilt, dock_elsewhere, lambda page: choose_level(page, OTHER_LEVEL)):
        act(at_start)
        passed.append(at_start.state("plan"))
    levels = [plan["level"] for plan in passed]
    assert levels == [LEVEL, LEVEL, LEVEL, OTHER_LEVEL]
    assert at_start.steps_back == 3
    for plan in passed[-2::-1]:
        at_start.page.locator("#undo").click()
        assert at_start.confirm_if_requested().state("plan") == plan
    assert at_start.page.locator("#undo").is_disabled()
    for plan in passed[1:]:
        at_start.page.keyboard.press("Control+Shift+Z")
        assert at_start.confirm_if_requested().state("plan") == plan
    assert at_start.page.locator("#redo").is_disabled()
    assert at_start.rest().state("answer.estimate.level") == OTHER_LEVEL


def test_a_new_step_after_undo_leaves_nothing_to_redo(at_start: Rehearsal) -> None:
    slide_far_tilt(at_start)
    at_start.page.keyboard.press("Control+z")
    assert at_start.page.locator("#redo").is_enabled()
    dock_elsewhere(at_start)
    assert at_start.page.locator("#redo").is_disabled()


def test_undo_in_the_midst_of_a_drag_takes_back_the_drag(at_start: Rehearsal) -> None:
    slide_far_tilt(at_start)
    before, slider = at_start.state("plan"), at_start.page.locator("#far-tilt input[type=range]")
    slider.hover()
    at_start.page.mouse.down()
    at_start.page.mouse.move(slider.bounding_box()["x"] + 20, slider.bounding_box()["y"] + 8)
    assert at_start.state("moving")
    at_start.page.keyboard.press("Control+z")
    undone = at_start.state("plan")
    at_start.page.mouse.up()
    assert undone == before


def test_a_reload_brings_everything_back(own_server: Any, opened: Any) -> None:
    page = opened(own_server.url).confirm(LEVEL).rest()
    slide_far_tilt(page)
    page.page.locator("#theme").click()
    page.page.get_by_role("radio", name="As read").check(force=True)
    page.panel("Compare").get_by_role("button", name="Pin this plan").click()
    slide_far_tilt(page)
    page.page.locator("#undo").click()
    kept = page.do("return store.kept()")
    page.page.reload()
    page.page.wait_for_function("() => Boolean(window.rehearsal)")
    assert page.do("return store.kept()") == kept
    assert page.page.locator("dialog[open]").count() == 0
    assert page.rest().page.locator("#numbers .figures").is_visible()
    assert page.page.locator("html").get_attribute("data-theme") == "light"
    assert page.page.locator("#panel-compare").is_visible()
    page.page.locator("#redo").click()
    assert page.far_tilt > kept["plan"]["phases"][1]["medial_tilt_deg"]


def saved(folder: Path) -> dict[str, str]:
    """The plans that the case holds, by name."""
    return {path.stem: path.read_text() for path in (folder / "plans").glob("*.toml")}


def test_plans_are_saved_opened_and_deleted_and_none_is_replaced_unasked(own_server: Any, opened: Any) -> None:
    page = opened(own_server.url).confirm(LEVEL).rest()
    box, name = page.page.locator("#plans"), page.page.get_by_label("Save this plan as")
    first = page.state("plan")

    def save_as(words: str) -> None:
        page.page.locator("#plan-name").click()
        name.fill(words)
        name.press("Enter")

    save_as("flat")
    page.until("store.state.name === 'flat'")
    assert "Plan: flat" in page.page.locator("#plan-name").text_content()
    slide_far_tilt(page)
    assert "changed" in page.page.locator("#plan-name").text_content()
    save_as("steep")
    page.until("store.state.name === 'steep'")
    steep, files = page.state("plan"), saved(own_server.folder)
    assert {"flat", "steep"} <= set(files)

    save_as("flat")
    box.get_by_text("'flat' is already in the case.").wait_for()
    assert saved(own_server.folder) == files
    box.get_by_role("button", name="Close").click()
    page.page.locator("#plan-name").click()
    box.get_by_role("button", name="Open flat").click()
    page.until("store.state.name === 'flat'")
    assert page.state("plan") == first
    page.page.locator("#undo").click()
    assert page.state("plan") == steep

    save_as("steeper")
    page.until("store.state.name === 'steeper'")
    save_as("flat")
    box.get_by_role("button", name="Replace it").click()
    page.until("store.state.name === 'flat'")
    assert saved(own_server.folder)["flat"] == files["steep"]


def test_a_plan_is_deleted_only_when_that_is_said_twice(own_server: Any, opened: Any) -> None:
    page = opened(own_server.url).confirm(LEVEL).rest()
    box = page.page.locator("#plans")
    page.page.locator("#save").click()
    page.page.get_by_label("Save this plan as").fill("steep")
    page.page.keyboard.press("Enter")
    page.until("store.state.name === 'steep'")
    page.page.locator("#plan-name").click()
    box.get_by_role("button", name="Delete steep").click()
    box.get_by_role("button", name="Keep it").click()
    assert "steep" in saved(own_server.folder)
    box.get_by_role("button", name="Delete steep").click()
    box.get_by_role("button", name="Delete it").click()
    box.get_by_text("steep is deleted.").wait_for()
    assert "steep" not in saved(own_server.folder)


def test_the_autosave_is_whole_at_all_times(own_server: Any, opened: Any) -> None:
    page = opened(own_server.url).confirm(LEVEL).rest()
    page.page.locator("#far-tilt input[type=range]").focus()
    for _ in range(MOVES):
        page.page.keyboard.press("ArrowRight")
        shown, until = page.state("plan"), time.monotonic() + WAIT_MS / 1000
        while shown not in (kept := kept_plans(own_server.folder)) and time.monotonic() < until:
            page.page.wait_for_timeout(LOOK_MS)
        assert shown in kept


def kept_plans(folder: Path) -> list[Any]:
    """The plan of every tab as it lies in the case now; one half written would not be JSON."""
    return [json.loads(path.read_text())["plan"] for path in folder.glob("rehearsal/*.json")]
