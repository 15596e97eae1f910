"""Share of the compression that an approach can remove, and the canal area gained at disc level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from canalwise.estimator.geometry.region_protocol import Region
from canalwise.estimator.level.compression import PLANE_STEP_MM, SIDE_CODE, Compression
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.recon.labels import SIDES, Side


@dataclass(frozen=True)
class CanalAreaChange:
    """`canal_area_before_mm2`, `canal_area_after_mm2`: free canal at disc level (inside the bony canal, less
    ligamentum flavum and calcified tissue), before and after; the sac is taken to fill what
    is freed, so the second is an upper bound. `coverage_frac`: side -> share of the pressing
    tissue within SPAN_MM of the disc that can be taken."""

    canal_area_before_mm2: float
    canal_area_after_mm2: float
    coverage_frac: dict[Side, float]


def decompression_of(pressing: Compression, region: Region, removal: Removal) -> CanalAreaChange:
    """Change of canal area and compression by a region."""
    ligament = {side: ligament_taken_mm3(pressing, side, region) for side in SIDES}
    return decompression_with(pressing, ligament, freed_mm2(pressing, region), removal)


def ligament_taken_mm3(pressing: Compression, side: Side, region: Region) -> float:
    """Ligament and calcification of one side that a region takes."""
    return float(region.covered(pressing.ligament[side]).share.sum(dtype=float)) * pressing.voxel_mm3


def freed_mm2(pressing: Compression, region: Region) -> float:
    """Area of the disc's mid-plane that becomes canal."""
    return float(region.covered(pressing.plane).share.sum(dtype=float) * PLANE_STEP_MM**2)


def decompression_with(
    pressing: Compression, ligament_mm3: Mapping[Side, float], freed: float, removal: Removal
) -> CanalAreaChange:
    """The same from the ligament taken (mm3), the area freed (mm2) and the bone removed."""
    overhang, shares = pressing.overhang.reshape(-1)[removal.voxels], {}
    for side, whole in pressing.whole_mm3.items():
        taken = ligament_mm3[side] + float(removal.taken_mm3[overhang == SIDE_CODE[side]].sum(dtype=float))
        shares[side] = taken / whole if whole > 0 else float("nan")
    return CanalAreaChange(pressing.free_mm2, pressing.free_mm2 + freed, shares)
