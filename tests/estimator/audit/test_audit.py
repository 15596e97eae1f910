"""What was taken, found from two scans of a made-up level: volumes, laws, refusals."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from canalwise.estimator.audit.areas import AuditedAreas
from canalwise.estimator.audit.audit import Audit, AuditQuestion, audit_of
from canalwise.estimator.audit.audit_json import audit_as_json
from canalwise.estimator.audit.bone_change import bone_change_of
from canalwise.estimator.audit.comparison import planned_against_achieved
from canalwise.estimator.audit.criteria import pass_criteria, time_caveats
from canalwise.estimator.audit.findings import findings_of
from canalwise.estimator.audit.taken_bone import taken_bone_of
from canalwise.estimator.level.level_bone import PROTECTED, level_bone_of
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import LevelNotInView, UnusableInput, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.image.implants import Implants
from canalwise.recon.scan import Scan
from tests import pairs
from tests.workbench import toy

VOLUME_FRAC = 0.10
"""By how much the volume of a block of bone may be off on voxels of 1 mm."""


@cache
def operated() -> Audit:
    """The audit of the operated level."""
    return audit_of(toy.anatomy(), pairs.before(), pairs.operated(), AuditQuestion("L3-L4", days_after=3))


@cache
def true_removal() -> Removal:
    """The block that was taken, as a removal."""
    level_bone = level_bone_of(toy.anatomy(), toy.anatomy().levels[0])
    share = pairs.taken_box()[level_bone.box]
    share = np.where(PROTECTED[level_bone.labels] | (level_bone.bone_mm3 <= 0), 0, share).astype(np.float32)
    voxels = np.flatnonzero(share)
    return Removal(level_bone, voxels, share.reshape(-1)[voxels])


def test_the_volume_taken_is_reported_within_its_interval():
    taken, true = operated().taken, true_removal().total_mm3
    assert taken.removal.total_mm3 == pytest.approx(true, rel=VOLUME_FRAC)
    assert taken.interval95_mm3[0] <= true <= taken.interval95_mm3[1]
    assert taken.elsewhere_mm3 == 0
    assert taken.limit_mm3 < 0.1 * true


def test_structures_sum_to_the_whole_and_the_joints_are_untouched():
    found = operated()
    assert sum(found.kept.by_structure_mm3.values()) == pytest.approx(found.taken.removal.total_mm3)
    assert found.kept.facets["right"].volume_frac > 0.99
    assert found.kept.facets["left"].area_frac > 0.95


def test_nothing_is_reported_of_a_level_that_was_left_alone():
    found = audit_of(toy.anatomy(), pairs.before(), pairs.untouched(), AuditQuestion("L3-L4"))
    assert found.taken.removal.total_mm3 == 0
    assert found.taken.elsewhere_mm3 == 0
    assert found.fitted is None
    assert audit_as_json(found)["sentence"].startswith("No bone was taken")


def test_scans_in_the_other_order_are_refused():
    first = pairs.noisy(pairs.without(pairs.still(), pairs.taken_box()), toy.grid(), 1)
    with pytest.raises(UnusableInput, match="must show less bone than the case's scan") as refusal:
        audit_of(toy.anatomy(), first, pairs.untouched(), AuditQuestion("L3-L4"))
    assert refusal.value.exit_status == 3


def test_a_little_bone_that_was_not_there_before_is_reported_and_not_refused():
    x, _, z = np.moveaxis(toy.frame().to_level_mm(toy.grid().voxel_centres_mm()), -1, 0)
    corner = pairs.taken_box() * ((x > 6) & (z > 9))
    first = pairs.noisy(pairs.without(pairs.still(), corner), toy.grid(), 1)
    found = audit_of(toy.anatomy(), first, pairs.untouched(), AuditQuestion("L3-L4"))
    assert 25.0 < found.taken.gained_mm3 < 100.0
    assert any("regrowth" in sentence for sentence in found.findings)
    assert not any("regrowth" in sentence for sentence in operated().findings)


def test_a_scan_of_other_levels_is_refused():
    after = pairs.untouched()
    lower = toy.frame().origin_ras_mm[2] + pairs.SHIFT_MM[2]
    first = int(after.grid.index_of([0, 0, lower + 2.0])[2])
    box = (slice(0, after.grid.shape[0]), slice(0, after.grid.shape[1]), slice(first, after.grid.shape[2]))
    with pytest.raises(UnusableInput, match=r"must show L[34] of the same patient"):
        audit_of(toy.anatomy(), pairs.before(), after.cropped(box), AuditQuestion("L3-L4"))


def test_an_mr_or_another_level_or_a_plan_for_another_is_refused():
    mr = Scan(pairs.untouched().voxels, pairs.untouched().grid, "MR")
    with pytest.raises(UnusableInput, match="must be a CT"):
        audit_of(toy.anatomy(), pairs.before(), mr, AuditQuestion("L3-L4"))
    with pytest.raises(LevelNotInView):
        audit_of(toy.anatomy(), pairs.before(), pairs.untouched(), AuditQuestion("L1-L2"))
    with pytest.raises(WrongUse, match="--days-after"):
        AuditQuestion("L3-L4", days_after=-1)


def test_missed_unplanned_and_common_bone_sum_to_both_wholes():
    level, true = toy.anatomy().levels[0], true_removal()
    found = planned_against_achieved(level, "left", true, operated().taken.removal)
    assert found.both_mm3 + found.missed_mm3 == pytest.approx(found.planned_mm3)
    assert found.both_mm3 + found.unplanned_mm3 == pytest.approx(found.achieved_mm3)
    assert found.overlap_frac > 0.8
    # a block's corners are rounded off by the average
    assert sum(place.mm3 for place in found.missed) < 0.05 * found.planned_mm3


def test_a_place_that_was_planned_and_not_taken_is_pointed_at():
    level, true = toy.anatomy().levels[0], true_removal()
    nothing = Removal(true.level_bone, np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.float32))
    found = planned_against_achieved(level, "left", true, nothing)
    assert sum(place.mm3 for place in found.missed) == pytest.approx(true.total_mm3)
    x, y, _ = found.missed[0].at_level_mm
    assert 1 < x < 11
    assert 4 < y < 20
    assert "L3" in found.missed[0].structure or "L4" in found.missed[0].structure


def test_bone_taken_on_the_right_is_reported_on_the_right():
    # the mirrored block lies on the right: its bone is gone there and nowhere else
    other = pairs.taken_box()[::-1]
    after = pairs.after(pairs.without(pairs.still(), other), pairs.motion(), seed=9)
    pair = operated().pair
    mirrored = replace(pair, after=after)
    level_bone = true_removal().level_bone
    taken = taken_bone_of(mirrored, bone_change_of(mirrored, level_bone)).removal
    index = np.stack(np.unravel_index(taken.voxels, level_bone.grid.shape), axis=-1)
    x = pair.level.frame.to_level_mm(level_bone.grid.world_mm(index))[:, 0]
    assert np.average(x, weights=taken.taken_mm3) < -4


def areas(sac_before: float | None, sac_after: float | None) -> AuditedAreas:
    """Areas at one station."""
    one = np.array([80.0])
    curve = [None if mm2 is None else np.array([mm2]) for mm2 in (sac_before, sac_after)]
    return AuditedAreas(np.zeros(1), 0, one, None, None, one, one, curve[0], curve[1], "")


@pytest.mark.parametrize(
    ("before", "after", "answers"),
    [
        (60.0, 104.0, (True, True)),
        (60.0, 92.0, (False, True)),
        (80.0, 95.0, (False, False)),
        (None, 120.0, (True, None)),
        (60.0, None, (None, None)),
    ],
)
def test_published_criteria_answer_only_what_the_scans_show(before, after, answers):
    assert tuple(criterion.met for criterion in pass_criteria(areas(before, after))) == answers


def test_time_since_the_operation_is_reported():
    assert "too small" in time_caveats(3)[0]
    assert "3.4 mm dorsally" in time_caveats(2000)[0]


def test_the_json_holds_its_schema_and_the_caution():
    document = audit_as_json(operated())
    assert document["schema"] == "canalwise.audit/1"
    assert document["caution"] == CAUTION
    assert document["passed"] is None
    assert document["bone_taken_mm3"]["detection_limit_mm3"] == operated().taken.limit_mm3
    assert set(document["registration"]) == {"L3", "L4"}


def test_a_small_grid_far_away_is_no_scan_of_the_level():
    affine = np.eye(4)
    affine[:3, 3] = 500.0
    tiny = Scan(np.full((30, 30, 30), 40, dtype=np.int16), Grid((30, 30, 30), affine), "CT")
    with pytest.raises(UnusableInput):
        audit_of(toy.anatomy(), pairs.before(), tiny, AuditQuestion("L3-L4"))


def test_metal_that_was_not_there_before_is_reported():
    found = operated()
    after = pairs.operated()
    voxels = after.voxels.copy()
    middle = found.pair.registrations["L3"].motion.moved_mm(toy.frame().to_world_mm([16.0, -8.0, 12.0]))
    voxels[after.grid.box_around(middle[None], 3.0)] = 3000
    pair = replace(found.pair, after=replace(after, voxels=voxels))
    findings = findings_of(pair, found.change, found.taken)
    assert any("Metal near the level" in sentence and "not there before" in sentence for sentence in findings)
    assert not any("Metal" in sentence for sentence in found.findings)


@pytest.mark.parametrize("taken", [True, False])
def test_screws_and_their_streaks_hide_neither_the_patient_nor_what_was_taken(taken):
    found = audit_of(toy.anatomy(), pairs.before(), pairs.screwed(taken=taken), AuditQuestion("L3-L4"))
    true = true_removal().total_mm3 if taken else 0.0
    assert found.taken.removal.total_mm3 == pytest.approx(true, rel=VOLUME_FRAC)
    assert found.taken.interval95_mm3[0] <= true <= found.taken.interval95_mm3[1]
    assert found.taken.gained_mm3 == 0.0
    assert any("Metal near the level" in sentence for sentence in found.findings)


def test_what_metal_hides_is_never_found_taken():
    pair = audit_of(toy.anatomy(), pairs.before(), pairs.screwed(taken=True), AuditQuestion("L3-L4")).pair
    metal = np.zeros(pair.after.grid.shape, dtype=bool)
    metal[pair.after.grid.box_around(pair.motions["L3"].moved_mm(toy.ORIGIN_RAS_MM)[None], 30.0)] = True
    covered = replace(pair, implants=Implants(metal, metal))
    found = taken_bone_of(covered, bone_change_of(covered, level_bone_of(toy.anatomy(), pair.level)))
    assert found.removal.total_mm3 < 0.2 * true_removal().total_mm3
    assert found.unseen_mm3 > 0.5 * true_removal().total_mm3


def test_a_process_that_hangs_on_by_nothing_is_reported_only_where_it_hung_on_before():
    found = operated()
    # the toy's arch never was connected with its body: nothing is said of it
    assert not any("no longer connected" in sentence for sentence in found.findings)
