"""What presses on the sac: counted within 10 mm of the disc, on its side, and in front of the canal's roof only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.level.compression import compression_of
from canalwise.estimator.level.level_bone import level_bone_of
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask, Tissue
from tests.estimator.toys import round_sac_anatomy

SAC_MM, CANAL_MM, VOXEL_MM = 5.0, 8.0, 0.5


def anatomy() -> Anatomy:
    return round_sac_anatomy(SAC_MM, CANAL_MM, VOXEL_MM)


def level_mm(whole: Anatomy) -> tuple[Float, Float, Float]:
    x, y, z = np.moveaxis(whole.levels[0].frame.to_level_mm(whole.grid.voxel_centres_mm()), -1, 0)
    return x, y, z


def without_bone(whole: Anatomy, where: Mask) -> Anatomy:
    gone = where & (whole.labels >= 100)
    assert gone.any()
    labels = np.where(gone, np.uint16(Tissue.SOFT), whole.labels)
    return replace(whole, labels=labels, occupancy=np.where(gone, np.float32(0.0), whole.occupancy))


def whole_mm3(whole: Anatomy) -> dict[str, float]:
    level = whole.levels[0]
    return dict(compression_of(whole, level, level_bone_of(whole, level)).whole_mm3)


def test_ligament_is_counted_within_ten_millimetres_of_the_disc() -> None:
    """A rod of ligament along the canal, longer than what counts: its section times 20 mm, to a voxel at either end."""
    plain = anatomy()
    x, y, _ = level_mm(plain)
    rod = (x > 1.0) & (x < 4.0) & (y > 5.4) & (y < 6.6)
    pressed = replace(plain, labels=np.where(rod, np.uint16(Tissue.FLAVUM), plain.labels))
    section_mm2 = float(rod[:, :, rod.shape[2] // 2].sum()) * VOXEL_MM**2
    more = whole_mm3(pressed)["left"] - whole_mm3(plain)["left"]
    assert more == pytest.approx(section_mm2 * 20.0, abs=1.01 * section_mm2 * VOXEL_MM)
    assert whole_mm3(pressed)["right"] == whole_mm3(plain)["right"]


def test_bone_behind_the_roof_does_not_press() -> None:
    whole = anatomy()
    _, y, _ = level_mm(whole)
    assert whole_mm3(without_bone(whole, y > CANAL_MM + 1.0)) == whole_mm3(whole)


def test_bone_in_front_of_the_roof_presses_within_the_canals_width() -> None:
    whole = anatomy()
    x, y, _ = level_mm(whole)
    less = whole_mm3(without_bone(whole, (y > 3.0) & (y < CANAL_MM - 1.0) & (np.abs(x) < CANAL_MM - 1.0)))
    assert all(less[side] < 0.8 * mm3 for side, mm3 in whole_mm3(whole).items())
    assert whole_mm3(without_bone(whole, np.abs(x) > CANAL_MM + 1.0)) == whole_mm3(whole)
    assert whole_mm3(without_bone(whole, y < -1.0)) == whole_mm3(whole)
