"""What came before has its place: an audit swiped between both scans, the spine with its levels; absent if not kept."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from page_server import Served, served

from canalwise.estimator.approach.plan_file import ANATOMY_KEY, plan_text
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import read_case
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.workbench.console.cohort_folder import CASES, SUMMARY
from canalwise.workbench.images.audit_maps import AFTER, TAKEN, map_path
from tests.browser.conftest import LEVEL
from tests.browser.rehearsal import Rehearsal

pytestmark = pytest.mark.xdist_group("browser")

OTHER_LEVEL = "L4-L5"
MIDDLE_MM, HALF_MM = (8.0, 14.0, 4.0), 5.0
"""The box that is taken out, in the level frame."""

SEEN = "canvas => [...canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data]"


def keep_audit(folder: Path) -> dict[str, Any]:
    """An audit planted in a case: a box that lost all its bone; gives its JSON."""
    case = read_case(folder)
    level, grid = case.anatomy.level(LEVEL), case.scan.grid
    places = level.frame.to_level_mm(grid.voxel_centres_mm())
    box = (np.abs(places - MIDDLE_MM) <= HALF_MM).all(axis=-1)
    after = np.where(box, 45, case.scan.voxels).astype(np.int16)
    taken = np.where(box, 255, 0).astype(np.uint8)
    place = {"structure": "L3 lamina left", "mm3": 77.0, "at_level_mm": [9.0, 15.0, 6.0]}
    document = {
        "schema": "canalwise.audit/1", "level": LEVEL, "side": "left", "sentence": "321 mm3 of bone were taken",
        "registration": {"L3": {"residual_mm": 0.05, "correlation": 0.99}},
        "bone_taken_mm3": {"total": 321.0, "interval95": [300.0, 350.0], "by_structure": {"upper lamina": 321.0},
                           "share_of_structure": {"upper lamina": 0.12}, "detection_limit_mm3": 25.0},
        "facet_preserved": {"ipsilateral": {"area_frac": 0.83, "width_frac": 0.75, "volume_frac": 0.9}},
        "limits": [], "areas": None, "criteria": [], "fitted_approach": None, "findings": [], "caveats": [],
        "warnings": [], ANATOMY_KEY: case.anatomy_sha256,
        "against_plan": {"planned_mm3": 400.0, "achieved_mm3": 321.0, "both_mm3": 300.0, "overlap_frac": 0.83,
                         "missed_mm3": 100.0, "unplanned_mm3": 21.0, "missed": [place], "unplanned": []},
    }  # fmt: skip
    (folder / "results").mkdir(exist_ok=True)
    (folder / "results" / f"{LEVEL}-audit.json").write_text(json.dumps(document))
    for what, voxels in ((AFTER, after), (TAKEN, taken)):
        write_nifti(map_path(folder, f"{LEVEL}-audit", what), voxels, grid)
    return document


@pytest.fixture
def audited(own_case: Path) -> dict[str, Any]:
    """The audit kept in a case of one's own, before its server starts."""
    return keep_audit(own_case)


def test_an_audit_opens_with_its_numbers_and_swipes_between_both_scans(
    audited: dict[str, Any], own_server: Any, opened: Any
) -> None:
    page = opened(own_server.url).confirm(LEVEL).rest()
    panel = page.panel("Audit")
    panel.get_by_text("321 mm³ of bone were taken").wait_for()
    cells = [row.inner_text().split("\t") for row in panel.locator("tbody tr").all()]
    assert ["upper lamina", "321", "12 %"] in cells
    assert ["ipsilateral facet", "83 %", "75 %", "90 %"] in cells
    assert ["planned", "400 mm³"] in cells
    canvas = panel.get_by_label("Axial slice.")
    page.page.wait_for_function(
        "() => document.querySelector('#panel-audit .swipe + .picture-words').textContent === ''"
    )
    panel.get_by_role("button", name="Before", exact=True).click()
    before = shown(page, canvas)
    panel.get_by_role("button", name="After", exact=True).click()
    after = shown(page, canvas)
    assert (before != after).any()
    # orange fills what was taken on the scan before, and only bounds it on the one after
    assert orange(before) > 2 * orange(after) > 0
    caption = panel.locator("figcaption").first.text_content()
    panel.get_by_role("button", name="Show place 1 on the slices").click()
    shown(page, canvas)
    assert panel.locator("figcaption").first.text_content() == "Axial 6.0 mm cranial" != caption


def shown(page: Rehearsal, canvas: Any) -> np.ndarray:
    """(N, 4) pixels of a slice, once it has been drawn."""
    page.page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return np.array(canvas.evaluate(SEEN), dtype=int).reshape(-1, 4)


def orange(pixels: np.ndarray) -> int:
    """How many pixels are of the hue of bone removed."""
    red, green, blue, _ = pixels.T
    return int(((red > green + 50) & (green > blue + 15)).sum())


def test_the_spine_shows_every_level_and_opens_another(rehearsal: Rehearsal) -> None:
    assert rehearsal.page.get_by_role("tab", name="Audit").count() == 0
    panel = rehearsal.panel("Levels")
    panel.get_by_role("article", name=LEVEL).wait_for()
    cards = panel.get_by_role("article").all()
    assert {card.get_attribute("aria-label") for card in cards} == {LEVEL, OTHER_LEVEL}
    # where areas are known the narrowest stands first, whichever it is
    assert "narrowest" in cards[0].text_content()
    assert panel.locator(".spine-side button[aria-pressed=true]").text_content() == LEVEL
    panel.locator(".spine-side").get_by_role("button", name=f"Open {OTHER_LEVEL}").click()
    rehearsal.until("store.state.plan.level === argument", OTHER_LEVEL)
    rehearsal.page.locator("dialog#confirm[open]").wait_for()
    rehearsal.confirm(OTHER_LEVEL)
    assert panel.locator(".spine-side button[aria-pressed=true]").text_content() == OTHER_LEVEL


@pytest.fixture
def of_a_cohort(made_case: Path, tmp_path: Path) -> Iterator[Served]:
    """A case in the folder of a cohort with its summary, and with a plan of several levels kept."""
    folder = Path(shutil.copytree(made_case, tmp_path / "cohort" / CASES / "one"))
    (tmp_path / "cohort" / SUMMARY).write_text("<!doctype html><title>All cases</title><p>Forty cases</p>")
    case = read_case(folder)
    plan = f"{LEVEL}-right-of-several"
    approach = default_approach(case.anatomy, LEVEL, "right")
    (folder / "plans").mkdir(exist_ok=True)
    (folder / "plans" / f"{plan}.toml").write_text(plan_text(approach, case.anatomy_sha256))
    one = {
        "level": LEVEL, "side": "right", "freed_frac": 0.97, "bone_removed_mm3": 400.0, "limits": [],
        "least_area_mm2": {"before": 80.0, "needed": 150.0, "after": 149.0}, "facet_area_kept_frac": {"left": 1.0},
    }  # fmt: skip
    document = {
        "schema": "canalwise.levels/1", "verdict": {"sentence": "Frees every level"}, "bridges": [],
        "each_level": [one], ANATOMY_KEY: case.anatomy_sha256,
    }  # fmt: skip
    (folder / "results").mkdir(exist_ok=True)
    (folder / "results" / "levels.json").write_text(json.dumps(document))
    server = served(folder)
    yield server
    server.stop()


def test_several_levels_and_the_cohort_are_reached_from_the_spine(of_a_cohort: Served, opened: Any) -> None:
    page = opened(of_a_cohort.url).confirm(LEVEL)
    panel = page.panel("Levels")
    panel.get_by_text("Frees every level").wait_for()
    card = panel.get_by_role("article", name=LEVEL)
    assert "Planned with the others: from the right, freed 97 %" in card.text_content()
    card.get_by_role("button", name=f"Open {LEVEL}-right-of-several").click()
    page.until("store.state.plan.side === 'right'")
    assert page.state("name") == f"{LEVEL}-right-of-several"
    page.confirm_if_requested()
    with page.page.expect_popup() as summary:
        panel.get_by_role("button", name="Summary of this case's cohort").click()
    summary.value.get_by_text("Forty cases").wait_for()
