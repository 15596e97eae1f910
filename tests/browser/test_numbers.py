"""What the page says is what the command says, to the last digit printed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from canalwise.workbench.console.freed_tables import chance_words, limit_rows
from canalwise.workbench.console.tables import headline_rows, verdict_row
from canalwise.workbench.report.summary import outcome_words
from canalwise.workbench.style.phrases import interval
from tests.browser.conftest import LEVEL

pytestmark = pytest.mark.xdist_group("browser")

EXECUTED = "store.state.fresh && store.state.answer.estimate.chances.freed !== null && !store.state.executions"
"""Intervals and chances of the resection are there, which come last."""


def reported_by_command(folder: Path, name: str) -> dict[str, Any]:
    """`canalwise estimate --json` of a plan that was saved on the page."""
    plan = folder / "plans" / f"{name}.toml"
    command = [
        sys.executable,
        "-m",
        "canalwise.workbench.commands.main",
        "estimate",
        str(folder),
        "--plan",
        str(plan),
        "--json",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


@pytest.mark.parametrize("side", ["left", "right"])
def test_numbers_are_those_of_the_command(own_server, opened, side):  # pages close before their server
    page = opened(own_server.url).confirm(LEVEL).rest()
    if side == "right":
        # until the other side's plan has come, the one in force stays marked
        page.page.get_by_role("radio", name="Right").click(force=True)
        page.page.wait_for_function("() => window.rehearsal.store.state.plan.side === 'right'")
        page.confirm(LEVEL)
    # a plan of no round numbers, so that a digit that is lost would show
    page.do(
        "const p = store.state.plan; store.choose({...p, phases: p.phases.map(x => "
        "({...x, medial_tilt_deg: x.medial_tilt_deg + 1.2345678}))});"
    )
    page.rest()
    page.page.locator("#save").click()
    page.page.get_by_label("Save this plan as").fill("held-against")
    page.page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
    page.page.wait_for_function("() => window.rehearsal.store.state.name === 'held-against'")

    reported = reported_by_command(own_server.folder, "held-against")
    reported.pop("geometry")
    # Which case it is of concerns files, not the page.
    reported.pop("anatomy_sha256")
    page.until(EXECUTED)
    assert page.state("answer.estimate") == reported
    assert page.rows("headline") == [list(row) for row in headline_rows(reported)]
    executions = reported["chances"]["executions"]
    assert page.rows("limits") == [list(row) for row in limit_rows(reported["resection"], executions)]
    for name in ("both", "freed", "kept"):
        assert (
            chance_words(reported["chances"][name], executions) in page.page.locator("#outcome-chance").text_content()
        )
    least = reported["freed"]["interval95"]["least_area_after_mm2"]
    assert f"({interval(least)})" in page.page.locator("#tile-area").text_content()
    assert f"({interval(least)})" in page.page.locator("#outcome-area").text_content()
    assert page.rows("sweep-limits") == [list(verdict_row(verdict)) for verdict in reported["verdicts"]]
    assert page.page.locator("#outcome").text_content() == outcome_words(reported)
    assert reported["verdict"]["sentence"] in page.page.locator("#verdict").text_content()


def test_a_move_calls_executions_off(rehearsal):
    rehearsal.until("store.state.executions && store.state.executions.total > 0")
    rehearsal.do("const p = store.state.plan; store.move({...p, pivot_distance_mm: p.pivot_distance_mm + 1});")
    assert rehearsal.state("executions") is None
    rehearsal.do("store.undo ? store.settle() : 0; store.undo();")
    rehearsal.rest().until(EXECUTED)


def test_numbers_are_grey_until_they_belong_to_the_plan(rehearsal):
    held = rehearsal.page.evaluate("""() => {
      const {store} = window.rehearsal;
      const figures = document.querySelector("#numbers .figures");
      const before = figures.getAttribute("aria-busy");
      const plan = store.state.plan;
      store.move({...plan, pivot_distance_mm: plan.pivot_distance_mm + 1});
      const during = figures.getAttribute("aria-busy");
      store.settle();
      return [before, during, figures.classList.contains("stale")];
    }""")
    assert held == ["false", "true", True]
    rehearsal.rest()
    assert not rehearsal.page.locator("#outcome-bar").evaluate("bar => bar.classList.contains('stale')")
    assert rehearsal.page.locator("#numbers .figures").get_attribute("aria-busy") == "false"
    assert rehearsal.state("answer.estimate.approach.pivot_distance_mm") == rehearsal.state("plan.pivot_distance_mm")


def test_no_numbers_before_the_level_is_confirmed(opened, server):
    page = opened(server.url)
    page.page.get_by_role("button", name="Not now, only look").click()
    page.page.wait_for_function("() => window.rehearsal.store.state.answer !== null")
    assert page.page.locator("#numbers .figures").is_hidden()
    assert "not confirmed" in page.page.locator("#level-badge").inner_text()
    page.page.get_by_role("button", name="Confirm level and side").click()
    page.confirm(LEVEL)
    assert page.page.locator("#numbers .figures").is_visible()
    assert "not confirmed" not in page.page.locator("#level-badge").inner_text()


def test_blind_hides_the_numbers_until_they_are_asked_for(rehearsal):
    rehearsal.page.get_by_label("Blind: plan first, numbers afterwards").check()
    assert rehearsal.page.locator("#numbers .figures").is_hidden()
    rehearsal.page.get_by_role("button", name="Show the numbers").click()
    assert rehearsal.page.locator("#numbers .figures").is_visible()


def test_steps_are_played_to_the_numbers_of_the_estimate(rehearsal):
    """Scene and numbers follow the time line, and at its end all is as the estimate says."""
    seek = "const line = document.querySelector('#play-line'); line.value = {}; line.dispatchEvent(new Event('input'));"
    words = rehearsal.page.locator("#play-words")
    rehearsal.do(seek.format(0))
    assert words.text_content().startswith("near laminotomy: bone 0 of ")
    gone = "return store.state.removal.task.filter(value => value > 127).length"
    at_first = rehearsal.do(gone)
    rehearsal.do(seek.format(2))
    midway = rehearsal.do(gone)
    rehearsal.do(seek.format(5))
    bone = rehearsal.state("answer.estimate.resection.bone_removed_mm3.total")
    assert words.text_content().startswith(f"all steps done: bone {bone:.0f} of {bone:.0f} mm\u00b3")
    assert at_first < midway < rehearsal.do(gone)
