"""Laws of the implicit spine: mirror, motion, gaps, definitions of parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.phantoms.anatomy.bone import BASE_DEPTH_MM, MIDLINE_HALF_MM
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.solid.spine_curve import patient_pose
from canalwise.phantoms.spec import LevelKnobs, SpineSpec, demo_spec
from canalwise.phantoms.truth.window import is_bone
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import SIDES, Part, Tissue, label_names, label_of

SIDED_SWAP = {
    p: Part[p.name.replace("LEFT", "RIGHT") if "LEFT" in p.name else p.name.replace("RIGHT", "LEFT")] for p in Part
}
CHANGED_FRAC = 1e-3
"""Share of random points allowed to change label by rounding at a border."""


def _points(rng: np.random.Generator, count: int = 20000) -> np.ndarray:
    return rng.uniform([-45, -75, -75], [45, 35, 25], (count, 3))


def _mirrored(labels: np.ndarray) -> np.ndarray:
    part = np.array([SIDED_SWAP.get(int(n) % 100, int(n) % 100) if n >= 100 else int(n) for n in range(2700)])
    return np.where(labels >= 100, labels // 100 * 100 + part[labels], labels)


def test_mirrored_spec_gives_the_mirror_image(rng: np.random.Generator) -> None:
    spec = replace(
        demo_spec(), scoliosis_deg=12.0, rotation_deg=6.0, pose_deg=(3.0, -4.0, 5.0), origin_ras_mm=(4.0, 1.0, 2.0)
    )
    points = _points(rng)
    one = spine_of(spec).label_and_depth(points)[0]
    other = spine_of(spec.mirrored()).label_and_depth(points * [-1, 1, 1])[0]
    assert (_mirrored(one) != other).mean() <= CHANGED_FRAC


def test_turned_and_moved_patient_carries_all_labels_along(rng: np.random.Generator) -> None:
    upright = demo_spec()
    moved = replace(upright, pose_deg=(10.0, -7.0, 20.0), origin_ras_mm=(30.0, -20.0, 100.0))
    points = _points(rng)
    local = patient_pose(upright).to_local_mm(points)
    labels = spine_of(moved).label_and_depth(patient_pose(moved).to_world_mm(local))[0]
    assert (labels != spine_of(upright).label_and_depth(points)[0]).mean() <= CHANGED_FRAC


def test_answers_do_not_depend_on_the_batch(stenotic: Spine, rng: np.random.Generator) -> None:
    points = _points(rng, 4000)
    whole = stenotic.label_and_depth(points)[0]
    single = np.concatenate([stenotic.label_and_depth(points[i : i + 40])[0] for i in range(0, len(points), 40)])
    assert (whole != single).mean() <= CHANGED_FRAC


def test_all_labels_are_named(stenotic: Spine, rng: np.random.Generator) -> None:
    assert set(stenotic.label_and_depth(_points(rng))[0].tolist()) <= set(label_names())


@pytest.mark.parametrize("level", ["L2-L3", "L4-L5"])
@pytest.mark.parametrize("side", SIDES)
def test_faces_stand_exactly_the_gap_apart(normal: Spine, level: str, side: str) -> None:
    joint = normal.bone.joints[level, side]  # type: ignore[index]
    turn, z = np.linspace(-0.3, 0.3, 7), np.linspace(-4, 4, 7)
    faces = [joint.points_mm(turn, z, sign * joint.gap_mm / 2) for sign in (-1.0, 1.0)]
    assert np.linalg.norm(faces[1] - faces[0], axis=1) == pytest.approx(1.5)
    for sign, superior in ((-1.0, False), (1.0, True)):
        on_face = joint.pose.to_world_mm(joint.points_mm(turn, z, sign * joint.gap_mm / 2))
        # the processes' surfaces lie on the known faces
        assert np.abs(normal.bone.process_mm(level, side, batch_of(on_face), superior=superior)).max() < 1e-9  # type: ignore[arg-type]


def test_neighbouring_vertebrae_never_touch(stenotic: Spine) -> None:
    pose = stenotic.poses["L4-L5"]
    steps = np.stack(
        np.meshgrid(np.arange(-28, 28, 0.6), np.arange(-2, 40, 0.6), np.arange(-16, 16, 0.6), indexing="ij"), -1
    )
    labels = stenotic.label_and_depth(pose.to_world_mm(steps.reshape(-1, 3)))[0].reshape(steps.shape[:3])
    vertebra = np.where(is_bone(labels), labels // 100, 0)
    for axis in range(3):
        a, b = np.moveaxis(vertebra, axis, 0)[:-1], np.moveaxis(vertebra, axis, 0)[1:]
        assert not ((a > 0) & (b > 0) & (a != b)).any()


def test_spinous_base_follows_its_definition(normal: Spine, rng: np.random.Generator) -> None:
    local = rng.uniform([-12, 10, -20], [12, 60, 8], (20000, 3))
    world = normal.poses["L3"].to_world_mm(local)
    labels = normal.label_and_depth(world)[0]
    wall = normal.canal.walls_mm(batch_of(world))[1]
    base, process = labels == label_of("L3", Part.SPINOUS_BASE), labels == label_of("L3", Part.SPINOUS_PROCESS)
    assert base.sum() > 100
    assert process.sum() > 100
    assert (np.abs(local[base, 0]) <= MIDLINE_HALF_MM).all()
    assert (wall[base] <= BASE_DEPTH_MM).all()
    assert (wall[process] > BASE_DEPTH_MM).all()


def test_slip_moves_the_upper_vertebra_ventrally_along_the_disc() -> None:
    straight, slipped = (spine_of(SpineSpec(levels={"L4-L5": LevelKnobs(slip_mm=slip)})) for slip in (0.0, 5.0))
    step = []
    for spine in (straight, slipped):
        upper, lower = (spine.poses[name].origin_ras_mm for name in ("L4", "L5"))
        step.append(float((upper - lower) @ spine.poses["L4-L5"].axes_ras[1]))
    assert step[1] - step[0] == pytest.approx(-5.0, abs=1e-9)


def test_lordosis_and_scoliosis_are_the_angles_requested() -> None:
    spine = spine_of(SpineSpec(lordosis_deg=40.0, scoliosis_deg=20.0))
    up = {name: spine.poses[name].axes_ras[2] for name in ("T12", "L1", "S1")}
    plate = spine.vertebrae["L1"].wedge_deg / 2 - spine.vertebrae["S1"].wedge_deg / 2
    sagittal = np.degrees(np.arcsin(up["S1"][1]) - np.arcsin(up["L1"][1])) + plate
    assert sagittal == pytest.approx(40.0, abs=1e-6)
    coronal = np.degrees(np.arctan2(up["T12"][0], up["T12"][2]) - np.arctan2(up["S1"][0], up["S1"][2]))
    assert abs(coronal) == pytest.approx(20.0, abs=1e-6)


def test_six_lumbar_vertebrae_are_all_there() -> None:
    spine = spine_of(SpineSpec(six_lumbar=True))
    centres = np.array([spine.poses[name].to_world_mm([0.0, -15.0, 0.0]) for name in spine.spec.vertebrae])
    found = spine.label_and_depth(centres)[0]
    assert found.tolist() == [label_of(name, Part.BODY) for name in spine.spec.vertebrae]


def test_stenosis_narrows_the_sac_and_thickens_the_ligament(normal: Spine, stenotic: Spine) -> None:
    plane = np.stack(np.meshgrid(np.arange(-15, 15, 0.3), np.arange(-2, 24, 0.3), [0.0], indexing="ij"), -1).reshape(
        -1, 3
    )
    counts = {}
    for name, spine in (("normal", normal), ("stenotic", stenotic)):
        labels = spine.label_and_depth(spine.poses["L4-L5"].to_world_mm(plane))[0]
        counts[name] = {t: int((labels == t).sum()) for t in (Tissue.SAC, Tissue.CALCIFIED)}
    assert counts["stenotic"][Tissue.SAC] < 0.65 * counts["normal"][Tissue.SAC]
    assert counts["normal"][Tissue.CALCIFIED] == 0
    assert counts["stenotic"][Tissue.CALCIFIED] > 20


@pytest.mark.parametrize(
    ("knobs", "message"),
    [
        ({"gap_mm": 9.0}, "'gap_mm' must be in"),
        ({"slip_mm": 40.0}, "'slip_mm' must be in"),
        ({"disc_height_frac": 0.0}, "'disc_height_frac' must be in"),
        ({"disc_bulge_mm": -1.0}, "must be in"),
    ],
)
def test_impossible_knobs_are_refused(knobs: dict[str, float], message: str) -> None:
    with pytest.raises(WrongUse, match=message):
        LevelKnobs(**knobs)  # type: ignore[arg-type]


def test_unknown_level_is_refused() -> None:
    with pytest.raises(WrongUse, match="must be among"):
        SpineSpec(levels={"L5-L6": LevelKnobs()})
