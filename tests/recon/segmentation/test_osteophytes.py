"""Bone the network does not name, beside what it does: spurs are taken, blurred borders, gaps and islands are not."""

import numpy as np
import pytest

from canalwise.recon.bone.occupancy import BoneModel
from canalwise.recon.grid import Grid
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.osteophytes import with_spurs
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

MODEL = BoneModel(soft_hu=40.0, noise_hu=10.0, wall_hu=640.0, cortical_hu=900.0, threshold_hu=120.0)
GRID = Grid((24, 24, 24), np.eye(4))
PROCESS = (slice(4, 10), slice(8, 16), slice(8, 16))


def reported(bright: tuple[slice, slice, slice], other: tuple[slice, slice, slice] | None = None) -> np.ndarray:
    """Kinds after a superior process, and a bright block the network calls OTHER; `other` is an inferior process."""
    kind = np.zeros(GRID.shape, dtype=np.uint8)
    kind[PROCESS] = TissueClass.SUPERIOR
    value = np.full(GRID.shape, 40, dtype=np.int16)
    value[PROCESS] = value[bright] = 700
    if other is not None:
        kind[other], value[other] = TissueClass.INFERIOR, 700
    return with_spurs(TissueClassMap(GRID, kind, (kind > 0).astype(np.float32)), Scan(value, GRID, "CT"), MODEL).kind


def test_a_spur_takes_the_name_of_what_it_hangs_on() -> None:
    spur = (slice(10, 14), slice(9, 13), slice(9, 13))
    assert (reported(spur)[spur] == TissueClass.SUPERIOR).all()


def test_a_spur_ends_where_its_reach_ends() -> None:
    long = (slice(10, 22), slice(9, 13), slice(9, 13))
    kind = reported(long)
    assert (kind[10:15, 9:13, 9:13] == TissueClass.SUPERIOR).all()
    assert not kind[16:22].any()


@pytest.mark.parametrize(
    "bright",
    [
        (slice(10, 11), slice(8, 16), slice(8, 16)),  # one voxel all along: a blurred border
        (slice(13, 17), slice(9, 13), slice(9, 13)),  # an island: a vessel, say
        (slice(10, 13), slice(9, 11), slice(9, 11)),  # too small beyond the border
    ],
)
def test_borders_islands_and_crumbs_stay_what_they_are(bright: tuple[slice, slice, slice]) -> None:
    assert (reported(bright) > 0).sum() == 6 * 8 * 8


def test_a_joints_gap_stays_open() -> None:
    gap, facing = (slice(10, 13), slice(8, 16), slice(8, 16)), (slice(13, 19), slice(8, 16), slice(8, 16))
    assert not (reported(gap, facing)[10:13, 9:15, 9:15] > 0).any()
