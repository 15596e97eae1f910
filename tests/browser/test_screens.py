"""Desk, small screen and phone: nothing runs out of the page or over another; each picture says which way is which."""

from __future__ import annotations

import pytest

from canalwise.recon.disclaimer import CAUTION
from tests.browser.conftest import LEVEL, SCREENS
from tests.browser.rehearsal import Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

PANELS = ("Slices", "Charts", "Search", "Compare", "Lesson", "Sheet", "Levels")

OVERLAPS = """() => {
  const kinds = 'a[href], button, input, select, summary, canvas[tabindex], [role=slider], [role=gridcell]';
  const found = [...document.querySelectorAll(kinds)].filter((one) => one.checkVisibility() && !one.closest('.skips'));
  const clipped = (one) => {
    let {left, top, right, bottom} = (one.closest('.segment, .tick') ?? one).getBoundingClientRect();
    for (let over = one.parentElement; over && over !== document.body; over = over.parentElement) {
      if (getComputedStyle(over).overflow === 'visible') continue;
      const box = over.getBoundingClientRect();
      [left, top] = [Math.max(left, box.left), Math.max(top, box.top)];
      [right, bottom] = [Math.min(right, box.right), Math.min(bottom, box.bottom)];
    }
    return {left, top, right, bottom};
  };
  const seen = ({left, top, right, bottom}) => right - left > 2 && bottom - top > 2;
  const boxes = found.map((one) => [one, clipped(one)]).filter(([, box]) => seen(box));
  const words = (one) => one.getAttribute('aria-label') || one.labels?.[0]?.textContent || one.textContent;
  const name = (one) => `${one.tagName} ${words(one).slice(0, 40)}`;
  // a picture's own buttons lie over it on purpose
  const onPicture = (one, other) => [one, other].some((each) => each.matches('canvas')) &&
    one.closest('.picture') !== null && one.closest('.picture') === other.closest('.picture');
  const across = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left);
  const down = (a, b) => Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
  return boxes.flatMap(([one, a], place) => boxes.slice(place + 1)
    .filter(([other, b]) => !one.contains(other) && !other.contains(one) && !onPicture(one, other)
      && across(a, b) > 1 && down(a, b) > 1)
    .map(([other]) => `${name(one)} over ${name(other)}`));
}"""

OUTSIDE = """() => [...document.querySelectorAll('#top *, #controls *, #bench *, #scope *, #numbers *')]
  .filter((one) => one.checkVisibility() && one.getBoundingClientRect().right > innerWidth + 1)
  .map((one) => `${one.tagName}.${one.className}`)"""

TABS_OUT = """() => [...document.querySelectorAll('[role=tab]')]
  .map((one) => [one.textContent, one.getBoundingClientRect()])
  .filter(([, box]) => box.left < 0 || box.right > innerWidth).map(([words]) => words)"""

SMALL = """() => [...document.querySelectorAll('button, select, summary, input:not([type=range])')]
  .filter((one) => one.checkVisibility())
  .map((one) => [one, (one.closest('.segment, .tick, .level-choice') ?? one).getBoundingClientRect()])
  .filter(([, box]) => box.width < 24 || box.height < 24)
  .map(([one, box]) => `${one.tagName} ${one.textContent} ${box.width} x ${box.height}`)"""

LETTERS = """() => {
  const within = (a, b) => a.left >= b.left && a.right <= b.right && a.top >= b.top && a.bottom <= b.bottom;
  const described = (letter, frame) => [
    letter.className.split('letter-')[1],
    within(letter.getBoundingClientRect(), frame.getBoundingClientRect()) ? letter.textContent : '(cut off)',
  ];
  const name = (one) => one.closest('figure')?.querySelector('figcaption').textContent.split(/ [0-9]/)[0] ?? 'Scene';
  const shown = [...document.querySelectorAll('.picture .letters')].filter((one) => one.checkVisibility());
  return Object.fromEntries(shown.map((one) =>
    [name(one), Object.fromEntries([...one.children].map((each) => described(each, one.closest('.picture'))))]));
}"""


@pytest.fixture(params=["desk", "small", "phone"])
def screen(request: pytest.FixtureRequest, at_start: Rehearsal) -> Rehearsal:
    """The page on a screen of some size."""
    at_start.page.set_viewport_size(SCREENS[request.param])
    return at_start


def test_nothing_is_wider_than_the_screen_or_lies_over_another(screen: Rehearsal) -> None:
    width = screen.page.viewport_size["width"]
    for panel in PANELS:
        screen.panel(panel)
        assert screen.page.evaluate("document.documentElement.scrollWidth") <= width, panel
        if width > SCREENS["phone"]["width"]:
            # all is on one screen, so that level and side are never scrolled out of view
            assert screen.page.evaluate("document.documentElement.scrollHeight - innerHeight") <= 0, panel
        assert screen.page.evaluate(OVERLAPS) == [], panel
    assert screen.page.evaluate(OUTSIDE) == []
    assert screen.page.evaluate(TABS_OUT) == []


def test_what_explains_marks_does_not_hide_them_on_a_small_screen(screen: Rehearsal) -> None:
    wide = screen.page.viewport_size["width"] > SCREENS["small"]["width"]
    screen.page.wait_for_function(f"() => document.querySelector('.scene-legend').open === {str(wide).lower()}")


def test_targets_are_large_enough(screen: Rehearsal) -> None:
    for panel in PANELS:
        screen.panel(panel)
        assert screen.page.evaluate(SMALL) == [], panel


def test_level_side_and_caution_are_always_there(screen: Rehearsal) -> None:
    badge = screen.page.locator("#level-badge")
    assert badge.is_visible()
    reported = badge.text_content()
    assert LEVEL in reported
    assert "left side" in reported
    box = badge.bounding_box()
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= screen.page.viewport_size["height"]
    assert screen.page.locator("#foot").text_content() == CAUTION
    screen.page.locator("#foot").scroll_into_view_if_needed()
    assert screen.page.locator("#foot").is_visible()


def test_letters_are_in_view_on_every_picture(screen: Rehearsal) -> None:
    screen.until("slices.drawn > 0")
    reported = letters(screen)
    assert set(reported) == {"Scene", "Axial", "Sagittal", "Coronal", "Along the channel"}
    for picture, edges in reported.items():
        assert set(edges) == {"top", "bottom", "left", "right"}
        assert all(edges.values()), picture
        assert "(cut off)" not in edges.values(), picture


def letters(page: Rehearsal) -> dict[str, dict[str, str]]:
    """The letters of every picture by its name and edge; those that are not wholly on it are reported as cut off."""
    reported: dict[str, dict[str, str]] = page.page.evaluate(LETTERS)
    return reported


IN_THEATRE = {
    "Axial": {"top": "P", "bottom": "A", "left": "L", "right": "R"},
    "Coronal": {"top": "H", "bottom": "F", "left": "L", "right": "R"},
}
AS_READ = {
    "Axial": {"top": "A", "bottom": "P", "left": "R", "right": "L"},
    "Coronal": {"top": "H", "bottom": "F", "left": "R", "right": "L"},
}


DIFFERENCES = """() => {
  const {'As in theatre': theatre, 'As read': reading} = window.turned;
  const mean = (other) => theatre.reduce((sum, grey, place) => sum + Math.abs(grey - other(place)), 0) / theatre.length;
  return [mean((place) => reading[reading.length - 1 - place]), mean((place) => reading[place])];
}"""
"""Mean difference of the axial slices, one turned half round (left is right, up is down), and as they are."""


@pytest.mark.parametrize("side", ["left", "right"])
def test_letters_and_pictures_swap_between_theatre_and_reading(at_start: Rehearsal, side: str) -> None:
    at_start.begin_anew(LEVEL, side).until("slices.drawn > 0")
    for turned, wanted in (("As in theatre", IN_THEATRE), ("As read", AS_READ)):
        at_start.page.locator("#turned").get_by_role("radio", name=turned).click()
        at_start.until("JSON.stringify(slices.point) === JSON.stringify(store.state.plan.docking_point_mm)")
        at_start.page.wait_for_function(
            "([picture, left]) => [...document.querySelectorAll('figure.slice')].some((one) => "
            "one.textContent.includes(picture) && one.querySelector('.letter-left').textContent === left)",
            arg=["Axial", wanted["Axial"]["left"]],
        )
        reported = letters(at_start)
        assert {picture: reported[picture] for picture in wanted} == wanted
        at_start.do(f"(window.turned ??= {{}})['{turned}'] = slices.values('axial').grey.slice()")
    half_round, as_it_is = at_start.page.evaluate(DIFFERENCES)
    assert half_round < 0.2 * as_it_is
