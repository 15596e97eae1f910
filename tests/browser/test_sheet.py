"""Radiographs and pages to print: the plan is drawn where it lies, letters are right, one page comes out."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pypdf
import pytest

from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.sheet.sheet import sheet_html, sheet_of
from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import LONG_WAIT_MS, Rehearsal
from tests.workbench import toy
from tests.workbench.sheet.test_sheet import crowded, found

pytestmark = pytest.mark.xdist_group("browser")

FRESH = "() => [...document.querySelectorAll('.film')].every(each => each.getAttribute('aria-busy') === 'false')"

START = """
const instrument = store.state.facts.instruments[0].name;
store.look({turned: 'theatre', phase: 0});
return link.ask({ask: 'start', level: store.state.plan.level, side: 'left', instrument})
  .then(sent => store.choose(sent.answer.plan));
"""

LETTERS = ".film:nth-of-type({nth}) .film-letter"


@pytest.fixture
def films(rehearsal: Rehearsal) -> Rehearsal:
    """The page with both radiographs of the usual start from the left drawn, as in theatre."""
    rehearsal.do(START)
    rehearsal.confirm_if_requested().rest()
    rehearsal.panel("Sheet")
    rehearsal.page.wait_for_function(FRESH)
    return rehearsal


def letters(page: Rehearsal, nth: int) -> list[str]:
    """At the left, right, upper and lower edge of a film."""
    found: list[str] = page.page.locator(LETTERS.format(nth=nth)).all_text_contents()
    return found


def seen_at(page: Rehearsal, nth: int, mark: str) -> tuple[float, float]:
    """Where a mark's middle is seen on its film, as shares of its width and height."""
    face = page.page.locator(f".film:nth-of-type({nth}) .film-face").bounding_box()
    box = page.page.locator(f".film:nth-of-type({nth}) [data-mark='{mark}'] path").last.bounding_box()
    across, down = box["x"] + box["width"] / 2 - face["x"], box["y"] + box["height"] / 2 - face["y"]
    return across / face["width"], down / face["height"]


def test_letters_and_needle_follow_side_and_way_of_looking(films: Rehearsal) -> None:
    assert films.state("plan.side") == "left"
    assert letters(films, 1) == ["L", "R", "H", "F"]
    assert letters(films, 2) == ["H", "F", "P", "A"]
    assert seen_at(films, 1, "skin entry")[0] < 0.5 - 0.02
    entry, docked = (seen_at(films, 2, mark) for mark in ("skin entry", "docking point"))
    assert entry[1] < docked[1]
    films.do("store.look({turned: 'reading'})")
    # face to face: the patient's left on the right; the head up, the back to the right
    assert letters(films, 1) == ["R", "L", "H", "F"]
    assert letters(films, 2) == ["A", "P", "H", "F"]
    assert seen_at(films, 1, "skin entry")[0] > 0.5 + 0.02
    assert seen_at(films, 2, "skin entry")[0] > seen_at(films, 2, "docking point")[0]
    # turned by a quarter: what was on the left is now above
    assert seen_at(films, 2, "skin entry") == pytest.approx((1 - entry[1], entry[0]), abs=0.01)


def test_from_the_other_side_the_lateral_is_turned_over(films: Rehearsal) -> None:
    films.do("const {plan} = store.state; const [x, y, z] = plan.docking_point_mm;"
             "store.set({confirmed: {[`${plan.level} right`]: true}});"
             "store.choose({...plan, side: 'right', docking_point_mm: [-x, y, z]});")  # fmt: skip
    films.page.wait_for_function("() => document.querySelectorAll('.film-letter')[4].textContent === 'F'")
    films.page.wait_for_function(FRESH)
    assert letters(films, 1) == ["L", "R", "H", "F"]
    assert letters(films, 2) == ["F", "H", "P", "A"]
    assert seen_at(films, 1, "skin entry")[0] > 0.5
    films.do("store.look({turned: 'reading'})")
    assert letters(films, 2) == ["A", "P", "H", "F"]
    assert seen_at(films, 2, "skin entry")[0] > seen_at(films, 2, "docking point")[0]


def test_a_moved_plan_greys_the_films_until_they_show_it(films: Rehearsal) -> None:
    before = seen_at(films, 1, "tool, over the top")
    films.do("const {plan} = store.state; const {phases: [near, {...far}]} = plan; far.medial_tilt_deg += 6;"
             "store.move({...plan, phases: [near, far]});")  # fmt: skip
    assert films.page.locator(".films.stale").count() == 1
    films.do("store.settle()")
    films.page.wait_for_function(FRESH)
    assert films.page.locator(".films.stale").count() == 0
    assert seen_at(films, 1, "tool, over the top")[0] > before[0] + 0.01


def test_films_are_told_in_words(films: Rehearsal) -> None:
    reported = [films.page.locator(".film img").nth(at).get_attribute("alt") for at in (0, 1)]
    assert reported[0].startswith(f"Digitally reconstructed radiograph, AP, of {LEVEL}")
    assert "patient's LEFT at the left" in reported[0]
    assert "dorsal up" in reported[1]
    assert all("needle" in each and "skin entry" in each for each in reported)


def test_entry_readout_is_the_servers(films: Rehearsal) -> None:
    entry = films.state("answer.estimate.skin_entry")
    reported = films.page.locator(".entry-readout output").all_text_contents()
    assert reported == [
        f"{abs(entry['lateral_mm']):.0f} mm left",
        f"{abs(entry['cranial_mm']):.0f} mm {'cranial' if entry['cranial_mm'] >= 0 else 'caudal'}",
        f"{entry['depth_mm']:.0f} mm",
    ]


def document_link(films: Rehearsal, words: str) -> Any:
    """Presses a button, and gives the link that it then holds."""
    row = films.page.locator(".print-row", has=films.page.get_by_role("button", name=words, exact=True))
    row.get_by_role("button", name=words, exact=True).click()
    row.get_by_role("link").wait_for(timeout=LONG_WAIT_MS)
    return row.get_by_role("link")


def test_sheet_opens_with_the_endoscopes_view_and_prints_on_one_page(films: Rehearsal) -> None:
    films.page.wait_for_function("() => window.rehearsal.scope.drawn > 0")
    link = document_link(films, "Make the theatre sheet")
    with films.page.context.expect_page() as shown:
        link.click()
    opened = shown.value
    opened.wait_for_load_state()
    assert opened.title() == f"canalwise theatre sheet: {LEVEL}, left"
    assert CAUTION in opened.inner_text("body")
    assert "First view down the channel, from the page" in opened.inner_text("body")
    assert opened.evaluate("() => [...document.images].every(each => each.complete && each.naturalWidth > 100)")
    assert len(pypdf.PdfReader(io.BytesIO(opened.pdf(format="A4", print_background=True))).pages) == 1


def test_report_comes_as_page_and_as_pdf(films: Rehearsal, server: Any) -> None:
    for words, kind in (("Make the report", "text/html"), ("Make the report as PDF", "application/pdf")):
        given = films.page.request.get(server.url + document_link(films, words).get_attribute("href"))
        assert given.status == 200
        assert given.headers["content-type"].startswith(kind)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("full", [False, True], ids=["usual", "crowded"])
def test_prints_on_one_page(browsers: Any, tmp_path: Path, paper: str, full: bool) -> None:
    """With short and with long warnings, every limit breached."""
    made = sheet_of(toy.scan(), found())
    (tmp_path / "sheet.html").write_text(sheet_html(crowded(made) if full else made), encoding="utf-8")
    page = browsers().new_page()
    page.goto(f"file://{tmp_path}/sheet.html")
    read = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper, print_background=True)))
    page.close()
    assert len(read.pages) == 1
    assert "Keep in mind" in read.pages[0].extract_text()
