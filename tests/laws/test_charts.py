"""The mirror image of the patient, approached from the other side, has the same charts."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.charts.entry_map import entries_of
from canalwise.estimator.charts.tilt_chart import tilt_chart
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.entry_plans import entry_of
from canalwise.recon.labels import SIDES
from tests.laws.scenes import Scene, mirror_image, mirrored, ready_level

TILTS_DEG = np.array([-5.0, 10.0, 25.0])

BONE_TOL_FRAC, BONE_TOL_MM3, SHARE_TOL, LENGTH_TOL_MM = 0.08, 15.0, 0.03, 0.5
"""Lines are chosen, so a resection is a local best: rounding alone can lead to another one. Ten tilts of -10 to 35
degrees differed by 4 % at most. That what lies between tubes is found alike on either side is tried in
tests/estimator/removal/test_tunnel_region.py."""

Pair = tuple[tuple[PreparedLevel, Approach], tuple[PreparedLevel, Approach]]


@pytest.fixture(scope="module")
def pair(plain: Scene) -> Pair:
    """The patient with the plan, and the mirror image with the mirrored plan."""
    image = ready_level(mirror_image(plain.anatomy))
    return (ready_level(plain.anatomy), plain.approach), (image, mirrored(plain.approach))


def test_mirroring_the_patient_mirrors_the_chart(pair: Pair) -> None:
    here, there = (tilt_chart(prepared, plan, TILTS_DEG) for prepared, plan in pair)
    assert (here.side, there.side) == SIDES
    assert there.medial_tilt_deg == pytest.approx(here.medial_tilt_deg)
    assert there.numbers.bone_mm3 == pytest.approx(here.numbers.bone_mm3, rel=BONE_TOL_FRAC, abs=BONE_TOL_MM3)
    for name in ("freed_frac", "facet_area_frac"):
        for relation, mine in getattr(here.numbers, name).items():
            theirs = getattr(there.numbers, name)[relation]
            assert theirs == pytest.approx(mine, abs=SHARE_TOL, nan_ok=True), (name, relation)
    # else any chart would do
    assert np.ptp(here.numbers.least_freed_frac) > 0.1


def test_mirroring_the_patient_mirrors_the_entries(pair: Pair) -> None:
    here, there = (entries_of(prepared, entry_of(plan), 8.0) for prepared, plan in pair)
    assert there.points_mm == pytest.approx(here.points_mm * [-1, 1, 1], abs=1.0)
    assert there.plan_entry_mm == pytest.approx(here.plan_entry_mm, abs=LENGTH_TOL_MM)
