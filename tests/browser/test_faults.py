"""Nothing is lost and nothing is silent when something breaks under the page."""

from __future__ import annotations

import shutil

import pytest

from tests.browser.conftest import LEVEL, NO_GL

pytestmark = pytest.mark.xdist_group("browser")


def test_a_server_killed_in_a_move_comes_back_and_nothing_is_lost(own_server, opened):
    page = opened(own_server.url).confirm(LEVEL).rest()
    page.do(
        "const p = store.state.plan; window.held = {...p, pivot_distance_mm: p.pivot_distance_mm + 2}; "
        "store.move(window.held);"
    )
    own_server.stop()
    page.page.wait_for_function("() => window.rehearsal.store.state.link === 'down'")
    assert page.page.get_by_text("Connection lost").is_visible()
    # the drag goes on while nobody answers
    page.do("store.move({...window.held, pivot_distance_mm: window.held.pivot_distance_mm + 1}); store.settle();")
    moved = page.state("plan")
    assert not page.state("fresh")
    own_server.start_again()
    page.rest()
    assert page.state("plan") == moved
    assert page.state("answer.estimate.approach") == moved
    page.page.reload()
    page.page.wait_for_function("() => Boolean(window.rehearsal)")
    assert page.state("plan") == moved
    assert page.do("return store.canUndo")
    # the browser itself reports every attempt to connect while nobody was there
    page.wrong = [words for words in page.wrong if "WebSocket" not in words and "ERR_CONNECTION" not in words]


def test_a_case_deleted_under_the_page_is_reported_and_the_estimates_go_on(own_server, opened):
    page = opened(own_server.url).confirm(LEVEL).rest()
    shutil.rmtree(own_server.folder)
    page.page.locator("#save").click()
    page.page.get_by_label("Save this plan as").fill("lost")
    page.page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
    page.page.wait_for_function("() => window.rehearsal.store.state.problem !== ''")
    reported = page.state("problem")
    assert "case" in reported
    assert str(own_server.folder) not in reported
    page.page.keyboard.press("Escape")
    page.do("const p = store.state.plan; store.choose({...p, pivot_distance_mm: p.pivot_distance_mm + 1});")
    page.rest()
    assert not own_server.folder.exists()


@pytest.mark.parametrize("side", ["left", "right"])
def test_without_webgl_numbers_slices_and_a_picture_remain(server, opened, side):
    page = opened(server.url, flags=NO_GL).confirm(LEVEL).rest()
    if side == "right":
        # until the other side's plan has come, the one in force stays marked
        page.page.get_by_role("radio", name="Right").click(force=True)
        page.until("store.state.plan.side === 'right'").confirm_if_requested().rest()
    assert page.page.evaluate("() => document.createElement('canvas').getContext('webgl2') === null")
    picture = page.page.locator("#bench img")
    picture.wait_for()
    assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") > 200
    page.page.wait_for_function("() => window.rehearsal.slices.values('axial').grey.length > 0")
    assert page.page.locator("#numbers .figures").is_visible()


def test_two_tabs_do_not_follow_each_other(own_server, opened):
    one = opened(own_server.url).confirm(LEVEL).rest()
    other = opened(own_server.url).confirm(LEVEL).rest()
    before = other.state("plan")
    one.do("const p = store.state.plan; store.choose({...p, pivot_distance_mm: p.pivot_distance_mm + 3});")
    one.rest()
    assert other.state("plan") == before
    assert one.state("plan.pivot_distance_mm") == before["pivot_distance_mm"] + 3


def test_the_page_may_be_framed_on_this_machine_alone(server, opened, browsers):
    reported = opened(server.url).page.evaluate("() => fetch('').then(r => r.headers.get('content-security-policy'))")
    ancestors = next(rule for rule in reported.split(";") if "frame-ancestors" in rule).split()[1:]
    assert ancestors
    assert all("127.0.0.1" in one or "localhost" in one or "[::1]" in one or one == "'self'" for one in ancestors)
