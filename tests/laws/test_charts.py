"""The mirror image of the patient, approached from the other side, has the same charts."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.estimator.approach.approach import IPSILATERAL, OVER_THE_TOP, Approach, tilts_deg
from canalwise.estimator.approach.table import pivots_level_mm, table_of
from canalwise.estimator.charts.entry_map import entries_of
from canalwise.estimator.charts.tilt_chart import TiltChart, tilt_chart
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.entry_variation import entry_variation_of
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.labels import SIDES
from tests.laws.scenes import SPEC, Scene, anatomy_on, grid_of, mirrored, ready_level

TILTS_DEG = np.arange(-20.0, 49.0, 4.0)

BONE_TOL_FRAC, SHARE_TOL, TARGET_TOL_FRAC, LENGTH_TOL_MM = 0.03, 0.04, 0.12, 0.5
"""Bone points fall elsewhere in the mirrored voxels; of targets one in nine may fall to the other side of touched."""

Pair = tuple[tuple[PreparedLevel, Approach], tuple[PreparedLevel, Approach]]


def level_of(anatomy: Anatomy) -> PreparedLevel:
    return ready_level(anatomy)


@pytest.fixture(scope="module")
def pair(plain: Scene) -> Pair:
    """The patient with the plan, and the mirror image with the mirrored plan."""
    spec = SPEC.mirrored()
    image = anatomy_on(spec, grid_of(spec))
    return (level_of(plain.anatomy), plain.approach), (level_of(image), mirrored(plain.approach))


def charts(pair: Pair, phase: str) -> tuple[TiltChart, TiltChart]:
    here, there = (tilt_chart(prepared, plan, phase, tilts_deg=TILTS_DEG) for prepared, plan in pair)
    return here, there


@pytest.mark.parametrize("phase", [OVER_THE_TOP, IPSILATERAL])
def test_mirroring_the_patient_mirrors_the_chart(pair: Pair, phase: str) -> None:
    here, there = charts(pair, phase)
    assert (here.side, there.side) == SIDES
    assert there.medial_tilt_deg == pytest.approx(here.medial_tilt_deg)
    assert there.by_relation.bone_mm3 == pytest.approx(here.by_relation.bone_mm3, rel=BONE_TOL_FRAC, abs=5.0)
    for relation in ("ipsilateral", "contralateral"):
        for name, tolerance in (("facet_area_frac", SHARE_TOL), ("pars_mm", LENGTH_TOL_MM)):
            mine, theirs = (getattr(chart.by_relation, name)[relation] for chart in (here, there))
            assert theirs == pytest.approx(mine, abs=tolerance, nan_ok=True), (name, relation)
    for name, share in here.by_relation.targets_frac.items():
        off = np.abs(there.by_relation.targets_frac[name] - share)
        assert np.median(off) <= TARGET_TOL_FRAC, name
    # else any chart would do
    near, far = here.by_relation.facet_area_frac.values()
    assert np.abs(near - far).max() > 0.2


def test_mirroring_the_patient_mirrors_the_entries(pair: Pair) -> None:
    here, there = (entries_of(prepared, entry_variation_of(prepared.level, plan), 8.0) for prepared, plan in pair)
    assert there.points_mm == pytest.approx(here.points_mm * [-1, 1, 1], abs=1.0)
    assert there.plan_entry_mm == pytest.approx(here.plan_entry_mm, abs=LENGTH_TOL_MM)


@pytest.mark.parametrize("phase", [OVER_THE_TOP, IPSILATERAL])
def test_the_trade_knows_it(pair: Pair, phase: str) -> None:
    """Common practice, no source: flatter across reaches more of the far side than straight at the docking point, and
    the near side is reached no flatter than that; leaning toward the joint costs more of it than leaning away.

    Tilts count from the line that leads from the phase's pivot to the docking point: a pivot lateral of it tilts all.
    """
    (prepared, plan), _ = pair
    straight_deg = docking_tilt_deg(plan, phase)
    chart = tilt_chart(prepared, plan, phase, tilts_deg=TILTS_DEG)
    relation = "contralateral" if phase == OVER_THE_TOP else "ipsilateral"
    share = chart.by_relation.targets_frac[f"{relation} canal wall"]
    assert share.max() > 0.5
    best = chart.medial_tilt_deg[share == share.max()] - straight_deg
    if phase == OVER_THE_TOP:
        assert best.min() > 0.0
        assert best.max() > 5.0
    else:
        assert best.max() <= 0.0
        kept, across = chart.by_relation.facet_area_frac["ipsilateral"], chart.medial_tilt_deg - straight_deg
        assert kept[across >= 8.0].min() > kept[np.abs(across + 8.0) <= 4.0].min()


def docking_tilt_deg(plan: Approach, phase: str) -> float:
    """Medial tilt of the line from a phase's pivot to the docking point."""
    place = [p.name for p in plan.phases].index(phase)
    inward = np.array(plan.docking_point_mm) - pivots_level_mm(table_of([plan]))[0, place]
    return tilts_deg(plan.side, inward / np.linalg.norm(inward))[0]
