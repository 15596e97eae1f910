"""Disc slopes, iliac crests and joints that were not resolved, on shapes with known answers."""

from dataclasses import replace

import numpy as np
import pytest

from canalwise.recon.anatomy import Anatomy, Confidence, Frame, Joint, Level, Measurement, Reason
from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.canal.wall import ANGLES, Stations, wall_mm
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.level.unresolved import (
    CANAL_ONLY,
    canal_only,
    check_arches_resolved,
    is_canal_only,
    without_unresolved,
)
from canalwise.recon.naming.disc_slopes import bends_deg, disc_slopes_deg
from canalwise.recon.naming.iliac_crest import crest_z_mm
from canalwise.recon.scan import Scan


def disc(grid: Grid, slope_deg: float, depth_mm: float = 34.0) -> np.ndarray:
    """A slab 8 mm high that falls ventrally by an angle."""
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    height = z + y * np.tan(np.radians(slope_deg))
    return (np.abs(height) < 4) & (np.abs(x) < 24) & (np.abs(y) < depth_mm / 2)


@pytest.mark.parametrize("slope_deg", [-10.0, 0.0, 15.0, 40.0])
def test_slope_of_a_disc(slope_deg: float) -> None:
    grid = isotropic_grid((-30.0, -30.0, -40.0), (30.0, 30.0, 40.0), 2.0)
    number = np.where(disc(grid, slope_deg), 1, 0).astype(np.uint8)
    (found,) = disc_slopes_deg(number, grid, 1)
    assert found == pytest.approx(slope_deg, abs=1.5)


def test_a_cut_disc_has_no_slope() -> None:
    grid = isotropic_grid((-30.0, -30.0, -40.0), (30.0, 30.0, 40.0), 2.0)
    assert disc_slopes_deg(np.where(disc(grid, 20.0, 9.0), 1, 0).astype(np.uint8), grid, 2) == (None, None)
    assert bends_deg((40.0, 15.0, None)) == (25.0, None, None)


def straight_tube(z_mm: np.ndarray) -> CanalTube:
    centre = np.column_stack([np.zeros_like(z_mm), np.zeros_like(z_mm), z_mm])
    axes = np.tile(np.array([[-1.0, 0, 0], [0, -1.0, 0], [0, 0, 1.0]]), (len(z_mm), 1, 1))
    wall = np.full((len(z_mm), ANGLES), 9.0)
    return CanalTube(Stations(centre, axes), wall, wall > 0, np.zeros((0, 0, 0), bool))


@pytest.mark.parametrize("up", [1.0, -1.0], ids=["cranial up", "cranial down"])
def test_crests_are_the_tops_of_the_wings(up: float) -> None:
    grid = isotropic_grid((-140.0, -60.0, 0.0), (140.0, 60.0, 120.0), 3.0)
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    wings = (np.abs(np.abs(x) - 80) < 5) & (np.abs(y) < 40 - 0.2 * z) & (z < 72)
    ribs = (np.abs(np.abs(x) - 100) < 4) & (np.abs(y) < 6) & (z > 90)
    kidney = ((np.abs(x) - 60) / 25) ** 2 + (y / 25) ** 2 + ((z - 95) / 25) ** 2 < 1
    values = np.where(wings | ribs | kidney, 400, 30).astype(np.int16)
    scan = Scan(values, grid, "CT")
    if up < 0:
        affine = grid.affine_ras_mm.copy()
        affine[:3, 2] *= -1
        affine[:3, 3] = grid.world_mm([0, 0, grid.shape[2] - 1])
        scan = Scan(values[:, :, ::-1].copy(), Grid(grid.shape, affine), "CT")
    found = crest_z_mm(scan, straight_tube(np.arange(0.0, 120.0, 1.0)), 200.0)
    assert found == pytest.approx(71.0, abs=4.0)


def test_crests_cut_off_above_are_none() -> None:
    grid = isotropic_grid((-140.0, -60.0, 0.0), (140.0, 60.0, 60.0), 3.0)
    x, y, _ = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    wings = (np.abs(np.abs(x) - 80) < 5) & (np.abs(y) < 30)
    scan = Scan(np.where(wings, 400, 30).astype(np.int16), grid, "CT")
    assert crest_z_mm(scan, straight_tube(np.arange(0.0, 60.0, 1.0)), 200.0) is None


def test_rays_that_start_in_bone_do_not_divide_by_zero() -> None:
    hit = np.full((40, ANGLES), 8.0)
    hit[:15] = 0.0  # the line has run out into the sacrum
    with np.errstate(all="raise"):
        radius, _ = wall_mm(hit, 1.0)
    assert np.isfinite(radius).all()
    assert radius[33:] == pytest.approx(8.0, abs=0.3)


def test_a_canal_whose_wall_is_no_number_is_refused_by_name() -> None:
    tube = straight_tube(np.arange(0.0, 40.0, 1.0))
    radius = tube.radius_mm.copy()
    radius[7, 3] = np.nan
    with pytest.raises(AnatomyNotFound, match="canal has no wall at some of its stations"):
        CanalTube(tube.stations, radius, tube.bony, tube.mask)


def level_with_joints(*reasons: Reason) -> tuple[Level, Confidence]:
    points = np.zeros((1, 3))
    joints = {
        side: Joint(side, points, points + 1.0, np.ones(1), 40.0, gap) for side, gap in (("left", 0.1), ("right", 2.0))
    }
    measured = tuple(
        Measurement("facet angle", 40.0, "deg", what, "")
        for what in ("left facet joint", "right facet joint", "both facet joints", "canal")
    )
    level = Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), joints, {}, {}, {}, measured)  # type: ignore[arg-type]
    return level, Confidence(0.0, True, reasons, ())


def test_a_joint_that_was_not_resolved_has_no_number() -> None:
    level, sure = level_with_joints(Reason("joint gap left", 0.0, ""), Reason("joint gap right", 0.7, ""))
    kept = without_unresolved(level, sure, {"parts": "automatic"})
    assert set(kept.joints) == {"right"}
    assert [m.structure for m in kept.measurements] == ["right facet joint", "canal"]
    assert "does not resolve the facet joint on the left" in kept.warnings[-1]
    assert without_unresolved(level, sure, {"parts": "given"}) is level


def test_thick_slices_leave_the_canal_alone() -> None:
    level, _ = level_with_joints()
    area = Measurement("canal area", 250.0, "mm2", "canal", "canal at disc")
    whole = replace(level, measurements=(*level.measurements, area), warnings=("L3-L4: check by eye (...)", "slipped"))
    kept = canal_only(whole)
    assert not kept.joints
    assert kept.measurements == (area,)
    assert kept.warnings == ("slipped",)
    blank = np.zeros((2, 2, 2))
    seen = Anatomy(Grid((2, 2, 2), np.diag([1.0, 1.0, 5.0, 1.0])), blank.astype(np.uint16), blank, (kept,))  # type: ignore[arg-type]
    check_arches_resolved(seen)
    with pytest.raises(AnatomyNotFound, match=r"canal only.*at most 3 mm .got '5\.00 mm'"):
        check_arches_resolved(replace(seen, warnings=(CANAL_ONLY,)))
    assert not is_canal_only(5.0, {"parts": "given"}, calibrated=True)
    assert not is_canal_only(5.0, {"parts": "automatic"}, calibrated=False)


def test_voxels_too_long_for_the_narrower_gap_only_take_that_joint() -> None:
    level, sure = level_with_joints(Reason("voxels and gap", 0.0, ""))
    assert set(without_unresolved(level, sure, {"parts": "automatic"}).joints) == {"right"}
    fine = replace(sure, reasons=(Reason("voxels and gap", 0.5, ""),))
    assert without_unresolved(level, fine, {"parts": "automatic"}) is level
