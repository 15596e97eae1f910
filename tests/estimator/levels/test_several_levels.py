"""Two narrow levels of a phantom: the shared vertebra by hand sums, a mirrored patient, one entry by brute force."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.estimate.estimate_json import plain
from canalwise.estimator.levels.levels_json import levels_as_json
from canalwise.estimator.levels.levels_plan import PreparedLevels, levels_plan, ordered_levels, skin_apart_mm
from canalwise.estimator.levels.several_levels import several_levels
from canalwise.estimator.levels.shared_entry import approach_from, candidate_at, pivot_ras_mm, shared_entry
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.cases.suite import stenosis
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import rendered_labels
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, bone_mask, label_of, vertebra_number

LEVELS = ("L3-L4", "L4-L5")
SPACING_MM = 1.6

MIRROR_FRAC, MIRROR_VERTEBRA_FRAC, MIRROR_VERTEBRA_MM3 = 0.03, 0.06, 20.0
"""Bone of a mirrored patient, in all and of one vertebra, on voxels of 1.6 mm: the choice of lines does not mirror to
the line, and takes a bite from one vertebra or the other. 17 of 165 mm3 of one vertebra were seen, 1 % in all."""


def anatomy_from(labels, grid) -> Anatomy:
    bone = bone_mask(labels).astype(np.float32)
    return Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"})


@pytest.fixture(scope="module")
def spine() -> Anatomy:
    """Narrow at two levels, sides apart."""
    narrow = {LEVELS[0]: stenosis(1.0, 0.7), LEVELS[1]: stenosis(0.8, 1.2)}
    spec = SpineSpec(levels={name: replace(knobs, bony=False) for name, knobs in narrow.items()})
    grid = natural_grid(spec, SPACING_MM, LEVELS)
    return anatomy_from(rendered_labels(spec, grid), grid)


@pytest.fixture(scope="module")
def bench(spine):
    return PreparedLevels(spine, LEVELS, decompressed)


@pytest.fixture(scope="module")
def both(bench):
    """Both levels from the left."""
    return several_levels([bench.found(default_approach(bench.anatomy, name, "left")) for name in LEVELS])


def mirrored(anatomy: Anatomy) -> Anatomy:
    """The patient seen in a mirror: world x turned round, left and right parts exchanged."""
    swap = np.arange(2**16, dtype=np.uint16)
    ends = {"_LEFT": "_RIGHT", "_RIGHT": "_LEFT"}
    other = {part: part for part in Part}
    for part in Part:
        for end, opposite in ends.items():
            if part.name.endswith(end):
                other[part] = Part[part.name.removesuffix(end) + opposite]
    for vertebra in range(8, 27):
        for part in Part:
            swap[100 * vertebra + part] = 100 * vertebra + other[part]
    flip = np.diag([-1.0, 1.0, 1.0, 1.0])
    flip[0, 3] = anatomy.grid.shape[0] - 1
    grid = Grid(anatomy.grid.shape, np.diag([-1.0, 1.0, 1.0, 1.0]) @ anatomy.grid.affine_ras_mm @ flip)
    return anatomy_from(np.ascontiguousarray(swap[anatomy.labels][::-1]), grid)


def test_the_shared_vertebra_is_counted_once(both):
    """Voxel by voxel on the case's grid: the greater share of both, times the bone that is there."""
    taken = np.zeros(both.shape)
    shared = vertebra_number("L4")
    alone = 0.0
    for one in both.found:
        removal = one.resection.removal
        here = taken[removal.level_bone.box]
        share = np.where(removal.level_bone.labels // 100 == shared, removal.taken_frac, 0)
        alone += float((share * removal.level_bone.bone_mm3).sum())
        np.maximum(here, share, out=here)
    expected = float((taken * both.anatomy.occupancy * both.anatomy.grid.voxel_mm3).sum())
    loss = next(one for one in both.vertebrae if one.vertebra == "L4")
    assert loss.levels == LEVELS
    assert loss.taken_mm3 == pytest.approx(expected, rel=1e-4)
    assert loss.separate_mm3 == pytest.approx(alone, rel=1e-4)
    assert loss.taken_by_both_mm3 >= 0


def test_bone_of_the_shared_vertebra_that_both_take_is_counted_once(both):
    """Both levels made to take most of one lamina of L4 as well, by shares that differ from voxel to voxel."""
    upper, lower = both.found
    label = label_of("L4", Part.LAMINA_LEFT)
    rng = np.random.default_rng(3)
    made, case = [], {}
    for one in (upper, lower):
        removal = one.resection.removal
        lamina = (removal.level_bone.labels == label) & (removal.level_bone.bone_mm3 > 0)
        more = np.where(lamina, rng.uniform(0, 1, lamina.shape).astype(np.float32), removal.taken_frac)
        voxels = np.flatnonzero(more)
        both_take = replace(removal, voxels=voxels, share=more.reshape(-1)[voxels])
        made.append(replace(one, resection=replace(one.resection, removal=both_take)))
        for index in np.argwhere(lamina):
            place = tuple(int(i) + s.start for i, s in zip(index, removal.level_bone.box, strict=True))
            bone = float(removal.level_bone.bone_mm3[tuple(index)])
            case.setdefault(place, []).append((float(more[tuple(index)]), bone))
    found = several_levels(made)
    by_hand = sum(max(share for share, _ in taken) * taken[0][1] for taken in case.values())
    twice = sum(share * bone for taken in case.values() for share, bone in taken)
    assert found.together.by_label_mm3[label] == pytest.approx(by_hand, rel=1e-4)
    assert by_hand < 0.8 * twice
    loss = next(one for one in found.vertebrae if one.vertebra == "L4")
    assert loss.taken_by_both_mm3 == pytest.approx(twice - by_hand, rel=1e-3)
    assert loss.levels == LEVELS


def test_vertebrae_sum_to_the_whole(both):
    assert [one.vertebra for one in both.vertebrae] == ["L3", "L4", "L5"]
    assert sum(one.taken_mm3 for one in both.vertebrae) == pytest.approx(both.together.total_mm3, rel=1e-6)
    separate = sum(one.resection.removal.total_mm3 for one in both.found)
    assert both.together.total_mm3 <= separate


def test_nothing_stays_more_than_with_one_level_alone(both):
    for one, cost in zip(both.found, both.costs, strict=True):
        assert all(cost.pars[side].residual_mm <= one.cost.pars[side].residual_mm for side in cost.pars)
        assert cost.base.bridge_mm <= one.cost.base.bridge_mm
        assert all(cost.facets[side].area_frac <= one.cost.facets[side].area_frac for side in cost.facets)


@pytest.mark.thorough
def test_a_mirrored_patient_loses_the_same(spine, both):
    other = PreparedLevels(mirrored(spine), LEVELS, decompressed)
    found = several_levels([other.found(default_approach(other.anatomy, name, "right")) for name in LEVELS])
    assert found.together.total_mm3 == pytest.approx(both.together.total_mm3, rel=MIRROR_FRAC)
    for mine, theirs in zip(both.vertebrae, found.vertebrae, strict=True):
        assert theirs.taken_mm3 == pytest.approx(mine.taken_mm3, rel=MIRROR_VERTEBRA_FRAC, abs=MIRROR_VERTEBRA_MM3)
    sides = {"left": "right", "right": "left"}
    seen = {(b.vertebra, sides[b.side]): b.bridge_mm for b in found.bridges}
    assert set(seen) == {(b.vertebra, b.side) for b in both.bridges}
    assert all(seen[b.vertebra, b.side] == pytest.approx(b.bridge_mm, abs=2 * SPACING_MM) for b in both.bridges)


def test_one_entry_is_no_worse_than_brute_force(bench, both):
    """A lattice closer than the search's own; places that serve are few, none of them on its first lattice."""
    at = [bench.at[name] for name in LEVELS]
    own = [one.resection.approach for one in both.found]
    found = shared_entry(at, own).best
    every = [candidate_at(at, own, along, aside) for along in np.arange(0.1, 0.91, 0.05) for aside in range(-3, 7)]
    serving = [one.weighted_mm3 for one in every if one.serves]
    assert 0 < len(serving) < 0.2 * len(every)
    assert found.serves
    assert found.weighted_mm3 <= 1.05 * min(serving)
    assert all(plan.level == name for plan, name in zip(found.plans, LEVELS, strict=True))


def test_both_plans_of_one_entry_begin_at_one_place(bench, both):
    at = [bench.at[name] for name in LEVELS]
    own = [one.resection.approach for one in both.found]
    pivot = pivot_ras_mm(at, own, 0.5, 0.0)
    plans = [approach_from(level, plan, pivot) for level, plan in zip(at, own, strict=True)]
    for level, plan in zip(at, plans, strict=True):
        axis = np.array(plan.docking_point_mm) - level.level.frame.to_level_mm(pivot)
        assert plan.pivot_distance_mm == pytest.approx(np.linalg.norm(axis))
    assert plans[0].phases[0].cranial_tilt_deg > plans[1].phases[0].cranial_tilt_deg
    apart = skin_apart_mm(bench.anatomy, bench.prepared, plans)
    assert np.isnan(apart) or apart < 60.0


def test_sides_are_compared_and_the_document_is_whole(spine, bench, both):
    found = levels_plan(spine, ["L4-L5", "L3-L4"], decompressed, share=False)
    assert len(found.patterns) == 4
    assert found.best.together.total_mm3 > 0
    document = plain(levels_as_json(found))
    assert document["levels"] == list(LEVELS)
    assert document["caution"] == CAUTION
    assert sorted(document["order"]["levels"]) == sorted(LEVELS)
    assert {limit["name"] for level in document["each_level"] for limit in level["limits"]} >= {
        "ipsilateral facet area kept"
    }
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    same = next(one for one in document["patterns"] if one["name"] == "all from the left")
    assert same["bone_removed_mm3"]["together"] == pytest.approx(both.together.total_mm3)


def test_levels_that_cannot_be_meant_are_refused(both):
    with pytest.raises(WrongUse, match="each once"):
        ordered_levels(["L3-L4", "L3-L4"])
    with pytest.raises(WrongUse, match="each once"):
        several_levels([both.found[0], both.found[0]])
