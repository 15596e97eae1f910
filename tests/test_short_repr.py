"""Values that hold arrays show themselves in one short line."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from canalwise.estimator.comparison.accesses import AccessComparison
from canalwise.estimator.estimate.estimate import estimate_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.search.search_task import SearchTask
from canalwise.estimator.search.search_values import Pick, SearchResult
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.canal.wall import ANGLES, Stations
from canalwise.recon.case.folder import Case
from canalwise.workbench.notebook import NotebookCase
from tests.workbench import toy

LONGEST = 200


@pytest.fixture(scope="module")
def anatomy() -> Anatomy:
    return toy.anatomy()


@pytest.fixture(scope="module")
def values(anatomy: Anatomy) -> dict[str, object]:
    level, scan, centre = anatomy.levels[0], toy.scan(), np.zeros((3, 3))
    centre[:, 2] = np.arange(3)
    stations = Stations(centre, np.broadcast_to(np.eye(3), (3, 3, 3)))
    radius = np.full((3, ANGLES), 10.0)
    tube = CanalTube(stations, radius, radius > 0, np.zeros((2, 2, 2), dtype=bool))
    prepared = PreparedLevel(anatomy, level)
    estimate = estimate_of(prepared, default_approach(anatomy, level.name, "left"))
    verdict = SimpleNamespace(sentence="Frees 94 % of what presses, 91 % on the contralateral side; all limits kept")
    found = SimpleNamespace(numbers=SimpleNamespace(verdict=verdict))
    pick = Pick(found, None, None)  # type: ignore[arg-type]  # only the verdict is shown
    return {
        "Scan": scan,
        "Grid": scan.grid,
        "Level": level,
        "Anatomy": anatomy,
        "Case": Case(scan, anatomy, Path("Jane Doe")),
        "NotebookCase": NotebookCase(scan, anatomy, Path("Jane Doe")),
        "CanalTube": tube,
        "PreparedLevel": prepared,
        "Estimate": estimate,
        "SearchResult": SearchResult(SearchTask(), level.name, 0.9, pick, pick, None, (), 500, 60, False),
        "AccessComparison": AccessComparison(level.name, "with recesses", 0.9, (), False),
    }


@pytest.mark.parametrize(
    "name",
    [
        "Scan", "Grid", "Level", "Anatomy", "Case", "NotebookCase", "CanalTube", "PreparedLevel", "Estimate",
        "SearchResult", "AccessComparison",
    ],
)  # fmt: skip
def test_values_show_themselves_in_one_short_line(values, name):
    shown = repr(values[name])
    assert len(shown) < LONGEST
    assert "\n" not in shown
    assert shown.startswith(f"<{'Case' if name == 'NotebookCase' else name} ")
    assert "array" not in shown
    assert "Jane" not in shown  # a folder's name may be the patient's


def test_a_short_line_says_what_the_value_is(values):
    # a circle of 10 mm radius as a polygon of ANGLES corners has a little less than 314 mm2
    assert repr(values["CanalTube"]) in (
        "<CanalTube 3 stations, 313 to 313 mm2>",
        "<CanalTube 3 stations, 314 to 314 mm2>",
    )
    assert "L3-L4" in repr(values["Anatomy"])
    assert "from the left" in repr(values["Estimate"])
