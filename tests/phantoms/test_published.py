"""The normal phantom against published ranges; only READ rows of the project's reference list are asserted."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid import published_sizes as sizes
from canalwise.phantoms.solid.point_batch import batch_of
from canalwise.phantoms.truth.frame import canal_section
from canalwise.phantoms.truth.level import LevelTruth
from canalwise.recon.labels import SIDES, Part, Tissue, label_of

SD = 2.0
"""Published mean +/- this many standard deviations; 95 % of people."""


def _pedicle_area_mm2(spine: Spine, name: str) -> float:
    return canal_section(spine, spine.poses[name].moved([0.0, 8.0, spine.vertebrae[name].pedicle_z_mm]), 0.0).area_mm2()


@pytest.mark.parametrize(("name", "mean", "sd"), [("L2", 290.9, 51.8), ("L4", 312.2, 72.1)])
def test_canal_area_at_pedicle(normal: Spine, name: str, mean: float, sd: float) -> None:
    """Maeder et al., Diagnostics 2023;13:734 (bony canal at pedicle level, CT)."""
    assert abs(_pedicle_area_mm2(normal, name) - mean) < SD * sd


def test_sac_and_canal_of_stenosis_and_normal(normal_l3_l4: LevelTruth, stenotic_l3_l4: LevelTruth) -> None:
    """Medicine (Baltimore) 2017 PMC5728944, L4-5: sac 151.7 +/- 53.6 in controls, 80.0 +/- 35.4 mm2 in patients."""
    assert abs(normal_l3_l4.areas_mm2["dural sac at disc"] - 151.67) < 53.59
    assert abs(stenotic_l3_l4.areas_mm2["dural sac at disc"] - 80.04) < 35.36


@pytest.mark.parametrize("name", ["L1", "L2", "L3", "L4", "L5"])
def test_lamina_starts_10_to_11_mm_below_the_upper_end_plate(normal: Spine, name: str) -> None:
    """Ebraheim et al., Surg Neurol 1997;48:232-236; measured beside the spinous base, rounded edges included."""
    pose, size = normal.poses[name], normal.vertebrae[name]
    z = np.arange(-18.0, 14.0, 0.1)
    line = np.stack(np.meshgrid([7.0], np.arange(8.0, 24.0, 0.25), z, indexing="ij"), -1).reshape(-1, 3)
    labels = normal.label_and_depth(pose.to_world_mm(line))[0]
    top = line[labels == label_of(name, Part.LAMINA_LEFT), 2].max()
    assert 9.0 < size.height_mm / 2 - top < 12.0


@pytest.mark.parametrize(("level", "expected", "sd"), [("L3-L4", 35.9, 7.4), ("L5-S1", 49.4, 10.1)])
def test_joint_angle(request: pytest.FixtureRequest, level: str, expected: float, sd: float) -> None:
    """J Bone Joint Surg Br 94-B Supp X (2010): from the sagittal plane, axial MR."""
    truth: LevelTruth = request.getfixturevalue("normal_" + level.lower().replace("-", "_"))
    for side in SIDES:
        assert abs(truth.joints[side].angle_deg - expected) < sd / 2


def test_window_of_l5_s1(normal_l5_s1: LevelTruth) -> None:
    """Wang et al., J Neurol Surg A 2021;82:419: width 23.55 +/- 4.91, height 9.1-9.6 +/- 2.5, area 144.6 +/- 57 mm2."""
    left, right = (normal_l5_s1.windows[side] for side in SIDES)
    assert abs(left.width_mm + right.width_mm - 23.55) < SD * 4.91
    assert abs(left.height_mm - 9.3) < SD * 2.45
    assert abs(left.area_mm2 + right.area_mm2 - 144.57) < SD * 57.05


def test_window_of_l3_l4(normal_l3_l4: LevelTruth) -> None:
    """Ebraheim 1997: width 16.8 to 31.0 mm from L1 to L5; Sakci et al. 2018: height 14.0 (L2) to 11.1 mm (L5)."""
    left, right = (normal_l3_l4.windows[side] for side in SIDES)
    assert 16.8 < left.width_mm + right.width_mm < 31.0
    assert 14.0 + SD * 4.1 > left.height_mm > 11.1 - SD * 2.4


def test_joint_size(normal_l3_l4: LevelTruth) -> None:
    """Panjabi et al., Spine 1993;18:1298-1310: area 72.3-211.9 mm2, height 10.2-18.4 mm over C3-L5."""
    for side in SIDES:
        joint = normal_l3_l4.joints[side]
        assert 72.3 < joint.area_mm2.sum() < 211.9
        height = np.ptp(normal_l3_l4.frame.to_local_mm(joint.superior_face_ras_mm)[:, 2])
        assert 10.2 < height < 18.4


@pytest.mark.parametrize(("level", "mean", "sd"), [("L2-L3", 3.19, 0.27), ("L3-L4", 3.38, 0.11), ("L4-L5", 3.71, 0.29)])
def test_flavum_thickness(normal: Spine, level: str, mean: float, sd: float) -> None:
    """Khasawneh et al., Folia Morphol 2023;82:72-78; measured across the ligament from wall to inner face."""
    pose = normal.poses[level]
    line = np.stack([np.full(400, 4.0), np.linspace(8.0, 24.0, 400), np.full(400, -2.0)], -1)
    world = pose.to_world_mm(line)
    wall = normal.canal.walls_mm(batch_of(world))[1]
    ligament = normal.label_and_depth(world)[0] == Tissue.FLAVUM
    assert abs(-wall[ligament].min() - mean) < 2 * sd + 0.1


@pytest.mark.parametrize("name", ["L2", "L3", "L4", "L5"])
def test_lamina_thickness(normal: Spine, name: str) -> None:
    """Spine 1999;24:107-113: 1.9 to 5.0 mm by level means over the spine; the reference list allows 2 to 10 mm."""
    thickness = sizes.LAMINA_THICKNESS[name]
    assert 2.0 < 0.8 * thickness < 1.2 * thickness < 10.0


def test_canal_is_shallowest_at_l3_and_widens_caudally() -> None:
    """Orthopedics 2013;36:e229-e234 and Griffith et al. 2016: least at L3; interpedicular width rises L1 to L5."""
    depth = {name: sizes.CANAL_DEPTH[name] for name in ("L1", "L2", "L3", "L4", "L5")}
    assert min(depth, key=depth.__getitem__) == "L3"
    width = [sizes.CANAL_WIDTH[name] for name in ("L1", "L2", "L3", "L4", "L5")]
    assert width == sorted(width)


def test_every_size_says_where_it_is_from() -> None:
    records = [value for value in vars(sizes).values() if isinstance(value, sizes.Sourced)]
    assert len(records) > 20
    assert all(record.evidence in ("READ", "MEM-b", "MEM-c", "CHOICE") and record.source for record in records)
