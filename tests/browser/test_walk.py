"""A newcomer's walk: open, confirm the level, choose a side, dock, enter where the far side is freed, compare, print.

It asks for the verdict. How far the sweep is tilted moves nothing of that: a resection is the least bone for all lines
of the entry, so it is the entry that decides whether the far side is freed.
"""

from __future__ import annotations

import io
from typing import Any

import pypdf
import pytest

from canalwise.workbench.report.summary import outcome_words
from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import LONG_WAIT_MS, Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

MEDIAL_MM = 14.0
"""Where the walk begins to move the skin entry: so near the midline, no straight tool passes over the top."""

MOST_KEYS = 4
"""Steps of 5 mm: more would lead past every entry that is in use."""


def entry_mm(page: Rehearsal) -> float:
    return float(page.state("answer.estimate.skin_entry.lateral_mm"))


def far_freed(page: Rehearsal) -> float:
    return float(page.state("answer.estimate.freed.contralateral"))


def freed_and_kept(page: Rehearsal) -> bool:
    return bool(page.do("const {freed, kept} = store.state.answer.estimate.verdict; return freed && kept;"))


def reported_first(page: Rehearsal) -> str:
    """What the page says over everything else."""
    return " ".join(page.page.locator(f"#{part}").text_content() for part in ("outcome", "verdict"))


def choose_side(page: Rehearsal, side: str) -> None:
    page.page.locator("#controls").get_by_role("radio", name=side, exact=True).click()
    page.until("store.state.plan.side === argument", side.lower()).confirm_if_requested().rest()


def dock_by_pointer(page: Rehearsal) -> None:
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


def enter_until_freed(page: Rehearsal) -> list[float]:
    """From an entry too near the midline, 5 mm at a time until the plan frees and keeps; the entries passed, mm."""
    page.page.locator("#controls summary").filter(has_text="Skin entry").evaluate("one => (one.parentNode.open = true)")
    field = page.page.locator("#controls").get_by_label("Entry lateral, in ")
    steps = page.steps_back
    field.fill(str(MEDIAL_MM))
    field.press("Enter")
    page.until("store.kept().past.length > argument", steps).rest()
    assert not freed_and_kept(page)
    assert reported_first(page).startswith("NOT FREED")
    assert "contralateral" in reported_first(page)
    passed, far_before = [entry_mm(page)], far_freed(page)
    while not freed_and_kept(page) and len(passed) <= MOST_KEYS:
        steps = page.steps_back
        page.page.locator("#controls").get_by_role("slider", name="Entry lateral", exact=True).press("PageUp")
        page.until("store.kept().past.length > argument", steps).rest()
        passed.append(entry_mm(page))
    assert far_freed(page) > far_before
    return passed


def test_a_newcomer_frees_the_far_side_within_limits_and_prints_the_sheet(server: Any, opened: Any) -> None:
    page = opened(server.url)
    page.confirm(LEVEL).begin_anew(LEVEL).rest().drawn()
    choose_side(page, "Right")
    choose_side(page, "Left")
    docked = page.state("plan.docking_point_mm")
    dock_by_pointer(page)
    assert page.state("plan.docking_point_mm") != docked

    passed = enter_until_freed(page)
    assert len(passed) > 1
    assert passed == sorted(passed)
    assert freed_and_kept(page)
    assert reported_first(page).startswith(outcome_words(page.state("answer.estimate")))

    compare_with_both_sides(page)
    print_the_sheet(page)


def compare_with_both_sides(page: Rehearsal) -> None:
    panel = page.panel("Compare")
    panel.get_by_role("button", name="Pin this plan").click()
    panel.get_by_role("button", name="Find the best plan of each access").click()
    rows = panel.get_by_role("region", name="Table of the accesses").locator("tbody tr")
    rows.first.wait_for(timeout=LONG_WAIT_MS)
    table = panel.get_by_role("region", name="Table of the accesses")
    assert table.evaluate("one => one.scrollWidth <= one.clientWidth"), "no column is cut off"
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
