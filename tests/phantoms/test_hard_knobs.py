"""What makes a phantom hard: each knob changes what it says, by as much as it says, and the labels say so too."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.anatomy.bystanders import Bystander, with_bystanders
from canalwise.phantoms.anatomy.intensities import Material, ct_table_hu
from canalwise.phantoms.anatomy.material import materials
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.render import scan_of
from canalwise.phantoms.imaging.scanner import Scanner
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.solid.signed_distance import Capsule
from canalwise.phantoms.solid.spine_curve import plate_z_mm
from canalwise.phantoms.spec import Bystanders, LevelKnobs, SpineSpec
from canalwise.phantoms.truth.frame import canal_section, level_frame
from canalwise.phantoms.truth.joint import joint_truth
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, isotropic_grid
from canalwise.recon.labels import Part, Tissue, label_of

LEVEL = "L4-L5"
HALF = np.array([16.0, 18.0, 11.0])
STILL = Scanner(noise_hu=0.0, point_spread_fwhm_mm=0.0, mr_noise=0.0)


def spine_with(**knobs: object) -> Spine:
    """A normal spine with some knobs at L4-L5."""
    return spine_of(SpineSpec(levels={LEVEL: LevelKnobs(**knobs)}))  # type: ignore[arg-type]


def middle_of_joint(spine: Spine, z_mm: float) -> Float:
    """(2, 3) array: points 0.1 mm on either side of the left joint's mid-surface, at a height above its centre."""
    joint = spine.bone.joints[LEVEL, "left"]
    both = [joint.points_mm(np.zeros(1), np.array([z_mm]), height) for height in (-0.1, 0.1)]
    return joint.pose.to_world_mm(np.concatenate(both))


def test_fused_joint_is_bone_across_the_gap_at_its_top_and_open_below() -> None:
    spine = spine_with(gap_mm=1.0, fused_frac=(0.5, 0.0))
    top, bottom = (spine.label_and_depth(middle_of_joint(spine, z))[0].tolist() for z in (4.0, -4.0))
    assert top == [label_of("L4", Part.INFERIOR_ARTICULAR_LEFT), label_of("L5", Part.SUPERIOR_ARTICULAR_LEFT)]
    assert bottom == [Tissue.SOFT, Tissue.SOFT]


def test_true_joint_loses_what_is_fused() -> None:
    open_, fused = spine_with(gap_mm=1.0), spine_with(gap_mm=1.0, fused_frac=(0.5, 0.0))
    areas = [joint_truth(s, LEVEL, "left", level_frame(s, LEVEL)).area_mm2.sum() for s in (open_, fused)]
    # the fused half of the surface's height, on an ellipse-like face cut at its middle
    assert areas[1] / areas[0] == pytest.approx(0.5, abs=0.08)
    right = joint_truth(fused, LEVEL, "right", level_frame(fused, LEVEL)).area_mm2.sum()
    assert right == pytest.approx(areas[0], rel=1e-6)


@pytest.mark.parametrize(("z_mm", "expected"), [(-20.0, 0.8), (0.0, 0.4), (20.0, 0.0)])
def test_gap_closes_over_two_mm_about_the_fused_height(z_mm: float, expected: float) -> None:
    joint = spine_with(gap_mm=0.8, fused_frac=(0.5, 0.0)).bone.joints[LEVEL, "left"]
    assert joint.gap_at_mm(joint.centre_mm[2] + np.array([z_mm]))[0] == pytest.approx(expected)


def test_dense_processes_are_dense_inside_and_only_on_their_side() -> None:
    spine = spine_with(sclerotic=(True, False))
    for side, expected in (("left", Material.SCLEROTIC), ("right", Material.TRABECULAR)):
        head, _ = spine.bone.superior[LEVEL, side]  # type: ignore[index]
        inside = head.centre_mm[None]
        labels, depth = spine.label_and_depth(inside)
        assert materials(spine, inside, labels, depth).tolist() == [expected]


def test_spurs_stand_out_of_the_rim_and_leave_the_canal_alone() -> None:
    plain, spurred = spine_with(), spine_with(osteophyte_mm=6.0)
    size, pose = plain.vertebrae["L4"], plain.poses["L4"]
    front = -size.depth_mm
    rim_z = -float(plate_z_mm(size, front, True)) + 1.0
    line = pose.to_world_mm([[0.0, front - y, rim_z] for y in np.arange(0.0, 9.0, 0.1)])
    reach = [(s.label_and_depth(line)[0] == label_of("L4", Part.BODY)).sum() * 0.1 for s in (plain, spurred)]
    assert 1.5 <= reach[1] - reach[0] <= 6.0
    middle = pose.to_world_mm([[0.0, front - 1.0, 0.0]])
    assert spurred.label_and_depth(middle)[0][0] == Tissue.SOFT
    areas = [canal_section(s, level_frame(s, LEVEL), 0.0).area_mm2() for s in (plain, spurred)]
    assert areas[1] == pytest.approx(areas[0], rel=1e-9)


@pytest.mark.parametrize("slip_mm", [-6.0, 9.0, 17.0])
def test_slip_is_the_distance_of_facing_plates_along_the_disc(slip_mm: float) -> None:
    spine = spine_with(slip_mm=slip_mm)
    plates = []
    for name, upper in (("L4", False), ("L5", True)):
        size = spine.vertebrae[name]
        y = -(size.depth_upper_mm if upper else size.depth_lower_mm) / 2
        plates.append(spine.poses[name].to_world_mm([0.0, y, float(plate_z_mm(size, y, upper))]))
    assert (plates[1] - plates[0]) @ spine.poses[LEVEL].axes_ras[1] == pytest.approx(slip_mm, abs=1e-9)


def test_grade_two_slip_leaves_one_canal() -> None:
    spine = spine_with(slip_mm=17.0)
    assert canal_section(spine, level_frame(spine, LEVEL), 0.0).area_mm2() > 60.0


def test_four_lumbar_vertebrae() -> None:
    spec = SpineSpec(four_lumbar=True)
    assert spec.vertebrae == ("T12", "L1", "L2", "L3", "L4", "S1")
    assert spec.level_names[-1] == "L4-S1"
    spine = spine_of(spec)
    assert spine.vertebrae["L4"].canal_width_mm == spine_of(SpineSpec()).vertebrae["L5"].canal_width_mm
    with pytest.raises(WrongUse, match="must not both"):
        SpineSpec(four_lumbar=True, six_lumbar=True)


@pytest.mark.parametrize("knobs", [{"fused_frac": (0.0, 1.2)}, {"osteophyte_mm": 9.0}, {"slip_mm": 19.0}])
def test_knobs_out_of_range_are_refused(knobs: dict[str, object]) -> None:
    with pytest.raises(WrongUse):
        LevelKnobs(**knobs)  # type: ignore[arg-type]


def test_thin_cortex_is_that_much_thinner() -> None:
    share = []
    for frac in (1.0, 0.5):
        spine = spine_of(SpineSpec(cortex_frac=frac))
        pose = spine.poses["L3"]
        line = pose.to_world_mm([[x, -17.0, 0.0] for x in np.arange(0.0, 26.0, 0.02)])
        labels, depth = spine.label_and_depth(line)
        share.append(int((materials(spine, line, labels, depth) == Material.CORTICAL).sum()))
    assert share[1] / share[0] == pytest.approx(0.5, abs=0.05)


def test_patches_have_the_deviation_requested_and_leave_labels_alone() -> None:
    middle = spine_of(SpineSpec()).poses["L3"].to_world_mm([0.0, -14.0, 0.0])
    grid = isotropic_grid(middle - HALF, middle + HALF, 1.5)
    plain, patchy = (scan_of(spine_of(SpineSpec(patchy_hu=hu)), grid, STILL) for hu in (0.0, 40.0))
    assert (plain.labels == patchy.labels).all()
    marrow = plain.ct_hu == 150
    change = (patchy.ct_hu - plain.ct_hu)[marrow]
    assert change.std() == pytest.approx(40.0, rel=0.15)
    assert not (patchy.ct_hu != plain.ct_hu)[plain.labels == Tissue.SAC].any()


def test_vessels_and_pelvis_are_soft_tissue_by_label_and_bright_by_hu() -> None:
    spec = SpineSpec(bystanders=Bystanders(vessel_hu=330.0, pelvis=True))
    spine = spine_of(spec)
    for core, hu in ((Material.VESSEL, 330.0), (Material.TRABECULAR, spec.trabecular_hu)):
        centres = np.array(
            [(b.solid.box_mm()[0] + b.solid.box_mm()[1]) / 2 for b in spine.bystanders if b.core == core]
        )
        labels, depth = spine.label_and_depth(centres)
        soft = labels == Tissue.SOFT
        assert soft.sum() >= 2
        kinds = materials(spine, centres[soft], labels[soft], depth[soft])
        assert ct_table_hu(spec)[kinds] == pytest.approx(hu)


def test_vena_cava_touches_the_bodies() -> None:
    spine = spine_of(SpineSpec(bystanders=Bystanders(vessel_hu=330.0)))
    pose, size = spine.poses["L3"], spine.vertebrae["L3"]
    line = pose.to_world_mm([[-10.0, -y, 0.0] for y in np.arange(size.depth_mm - 6.0, size.depth_mm + 6.0, 0.1)])
    labels, depth = spine.label_and_depth(line)
    kinds = materials(spine, line, labels, depth)
    last_bone = np.flatnonzero(kinds == Material.CORTICAL).max()
    assert kinds[last_bone + 1] == Material.VESSEL


def test_table_lies_behind_the_skin_and_outside() -> None:
    spine = spine_of(SpineSpec(bystanders=Bystanders(table=True)))
    (table,) = spine.bystanders
    low, high = table.solid.box_mm()
    middle = (low + high)[None] / 2
    labels, depth = spine.label_and_depth(middle)
    assert labels.tolist() == [Tissue.OUTSIDE]
    assert materials(spine, middle, labels, depth).tolist() == [Material.TABLE_CORE]
    assert spine.skin.distance_mm(np.array([[0.0, high[1], 0.0]]))[0] > 0


def test_bystander_has_a_shell() -> None:
    rod = Bystander(Capsule(np.zeros(3), np.array([0.0, 0, 10]), 5.0, 5.0), Material.TRABECULAR, Material.CORTICAL)
    points = np.array([[0.0, 0, 5], [4.0, 0, 5], [6.0, 0, 5]])
    muscle = np.full(3, Material.MUSCLE, np.uint8)
    assert with_bystanders([rod], points, muscle).tolist() == [Material.TRABECULAR, Material.CORTICAL, Material.MUSCLE]


def test_padding_fills_what_lies_outside_the_circle() -> None:
    spine = spine_of(SpineSpec())
    low = spine.poses["L3"].to_world_mm([0.0, 0.0, 0.0]) - [20.0, 20.0, 4.0]
    grid = isotropic_grid(low, low + np.array([40.0, 40.0, 8.0]), 2.0)
    scan = scan_of(spine, grid, Scanner(circle_mm=18.0, padding_hu=-2000))
    index = (np.indices(grid.shape[:2]) - 10) * 2.0
    outside = np.hypot(*index) > 18.0
    assert ((scan.ct_hu == -2000) == outside[:, :, None]).all()
    assert ((scan.labels == Tissue.OUTSIDE) == outside[:, :, None]).all()


def test_bone_near_a_batch_is_known_with_spurs() -> None:
    spine = spine_with(osteophyte_mm=8.0)
    size = spine.vertebrae["L4"]
    side = spine.poses["L4"].to_world_mm([[size.width_lower_mm / 2 + 2.0, -size.depth_mm / 2, -size.height_mm / 2]])
    assert "L4" in spine.bone.near(batch_of(side))


def test_bony_overgrowth_fills_what_the_canal_loses() -> None:
    shares = []
    for bony in (True, False):
        spine = spine_with(facet_overgrowth_mm=(1.6, 1.6), gap_mm=0.3, bony=bony)
        section = canal_section(spine, level_frame(spine, LEVEL), 1.0)
        local = spine.poses[LEVEL].to_local_mm(section.world_mm)
        normal = spine.canal.walls_mm(batch_of(section.world_mm))[0]
        lost = (normal < -0.3) & (section.wall_mm > 0.3) & (np.abs(local[:, 0]) > 6.0) & (local[:, 1] > 5.0)
        shares.append(float((spine.label_and_depth(section.world_mm[lost])[0] >= 100).mean()))
    # all but the joint's own gap, where otherwise most is soft tissue
    assert shares[0] > 0.95
    assert shares[1] < 0.4
