"""A newcomer's walk: open, confirm the level, choose a side, dock, tilt over the top, compare, and print the sheet."""

from __future__ import annotations

import io
from typing import Any

import pypdf
import pytest

from canalwise.workbench.report.summary import outcome_words
from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

FAR_RECESS = "contralateral recess"

ENOUGH_FRAC = 0.8
"""Share of the far recess that the walk is after."""

FLAT_DEG = 8.0
"""Where the walk begins to tilt: too flat to reach the far recess."""

MOST_KEYS = 40


def far_touched(page: Rehearsal) -> float:
    return float(page.state("answer.estimate.task.targets")[FAR_RECESS] or 0.0)


def all_kept(page: Rehearsal) -> bool:
    return all(verdict["met"] for verdict in page.state("answer.estimate.verdicts"))


def choose_side(page: Rehearsal, side: str) -> None:
    page.page.locator("#controls").get_by_role("radio", name=side, exact=True).click()
    page.until("store.state.plan.side === argument", side.lower()).confirm_if_asked().rest()


def dock_by_hand(page: Rehearsal) -> None:
    """Drags the docking mark a little, seen from dorsal, and waits until the plan lies there."""
    drawn = page.do("return bench.drawn")
    page.page.get_by_role("button", name="From dorsal").click()
    page.until("bench.drawn > argument", drawn)
    box, (x, y) = page.page.locator("#bench canvas").bounding_box(), page.do("return bench.seen('dock')")
    mouse = page.page.mouse
    mouse.move(box["x"] + x, box["y"] + y)
    mouse.down()
    mouse.move(box["x"] + x + 6, box["y"] + y, steps=3)
    mouse.up()
    page.until("!store.state.moving").rest()


def tilt_until_reached(page: Rehearsal) -> list[float]:
    """From too flat a tilt, one key at a time until the far recess is reached; the tilts that were passed."""
    field = page.page.locator("#far-tilt input.number")
    field.fill(str(FLAT_DEG))
    field.press("Enter")
    page.rest()
    assert far_touched(page) < ENOUGH_FRAC
    passed = [page.far_tilt]
    page.page.locator("#far-tilt input[type=range]").focus()
    for _ in range(MOST_KEYS):
        page.page.keyboard.press("ArrowRight")
        page.until("store.state.fresh")
        passed.append(page.far_tilt)
        if far_touched(page) >= ENOUGH_FRAC:
            break
    page.rest()
    return passed


def test_a_newcomer_reaches_the_far_recess_within_limits_and_prints_the_sheet(server: Any, opened: Any) -> None:
    page = opened(server.url)
    page.confirm(LEVEL).begin_anew(LEVEL).rest().drawn()
    choose_side(page, "Right")
    choose_side(page, "Left")
    docked = page.state("plan.docking_point_mm")
    dock_by_hand(page)
    assert page.state("plan.docking_point_mm") != docked

    passed = tilt_until_reached(page)
    assert len(passed) > 2
    assert far_touched(page) >= ENOUGH_FRAC
    assert all_kept(page)
    assert page.page.locator("#outcome").text_content() == outcome_words(page.state("answer.estimate"))

    compare_with_both_sides(page)
    print_the_sheet(page)


def compare_with_both_sides(page: Rehearsal) -> None:
    panel = page.panel("Compare")
    panel.get_by_role("button", name="Pin this plan").click()
    panel.get_by_role("button", name="Find the best plan of each way in").click()
    rows = panel.get_by_role("region", name="Table of the ways in").locator("tbody tr")
    rows.first.wait_for()
    reported = [row.locator("th, td").first.text_content() for row in rows.all()]
    assert {"left", "right", "both sides"} <= set(reported)
    assert any("midline" in name for name in reported)
    before = page.state("plan")
    panel.get_by_role("button", name="Pin the best plan from the right").click()
    assert [pin["plan"]["side"] for pin in page.state("pins")] == ["left", "right"]
    panel.get_by_label("both sides:").check()
    page.until("document.querySelector('.pin-table').getAttribute('aria-busy') === 'false'"
               " && document.querySelectorAll('.pin-table thead th').length === 3")  # fmt: skip
    assert page.state("plan") == before


def print_the_sheet(page: Rehearsal) -> None:
    """The sheet made of the plan: one page on paper, with level, side, tilt and caution on it."""
    panel = page.panel("Sheet")
    with page.page.expect_popup() as popup:
        panel.get_by_role("button", name="Make the theatre sheet").click()
    link = panel.get_by_role("link", name="Open the sheet: ")
    assert LEVEL in link.text_content()
    made = popup.value
    made.wait_for_load_state()
    paper = pypdf.PdfReader(io.BytesIO(made.pdf(prefer_css_page_size=True)))
    assert len(paper.pages) == 1
    words = " ".join(paper.pages[0].extract_text().split())
    made.close()
    assert LEVEL in words
    assert "left" in words.lower()
    assert f"{page.far_tilt:.0f}" in words
    assert "Not a medical device" in words
