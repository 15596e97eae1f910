#!/usr/bin/env python3
"""Why `recon.segmentation.network_refinement.FINE_MM`: error of the bone border against the voxel edge.

For phantoms of L3-L4 the bone the network sees is bounded by the scan's own values and by the network's probability;
printed are volume against the truth (1 is right), Dice, and the share of a 1.2 mm joint gap that is taken for bone.
"""

from __future__ import annotations

import sys
from pathlib import Path

import edt
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.spec import LevelKnobs, SpineSpec
from canalwise.recon.bone.occupancy import bone_model, occupancy_within
from canalwise.recon.image.morphology import linear_on
from canalwise.recon.labels import Labels, Mask, Part, bone_mask
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.network_refinement import BONE_FRAC, FINE_MM

GAP_MM, NEAR_MM = 1.2, 1.5
SPEC = SpineSpec(levels={"L3-L4": LevelKnobs(gap_mm=GAP_MM)}, trabecular_hu=100.0)


def gap_of(labels: Labels, spacing_mm: float) -> Mask:
    """Voxels between both processes of the joints."""
    processes = (
        (Part.SUPERIOR_ARTICULAR_LEFT, Part.SUPERIOR_ARTICULAR_RIGHT),
        (Part.INFERIOR_ARTICULAR_LEFT, Part.INFERIOR_ARTICULAR_RIGHT),
    )
    part = labels % 100 * (labels >= 100)
    away = [edt.edt(~np.isin(part, pair), anisotropy=(spacing_mm,) * 3) for pair in processes]
    return (away[0] <= NEAR_MM) & (away[1] <= NEAR_MM) & ~bone_mask(labels)


def main() -> None:
    """One line per voxel edge, noise and border."""
    print(f"voxels up to {FINE_MM} mm are bounded by the scan's own values, longer ones by the network")
    print("edge mm  noise HU  border   volume   Dice   gap taken for bone")
    for spacing, noise in ((0.5, 15.0), (0.5, 45.0), (0.8, 25.0), (1.0, 25.0), (1.5, 25.0), (1.5, 70.0)):
        grid = natural_grid(SPEC, spacing, ("L3-L4",), half_width_mm=36.0)
        made = render_scan(SPEC, grid, noise_hu=noise, seed=1)
        scan, truth = Scan(made.ct_hu, grid, "CT"), bone_mask(made.labels)
        seen = prior_kinds(scan)
        assert seen is not None
        share = linear_on(grid, seen.bone_frac, seen.grid)
        own = occupancy_within(share >= BONE_FRAC, scan, bone_model(scan))
        for name, bone in (("scan", own), ("network", share)):
            dice = 2.0 * float(((bone >= 0.5) & truth).sum()) / float((bone >= 0.5).sum() + truth.sum())
            gap = float((bone[gap_of(made.labels, spacing)] >= 0.5).mean())
            print(f"{spacing:7.1f}  {noise:8.0f}  {name:7s}  {bone.sum() / truth.sum():6.3f}  {dice:5.3f}   {gap:5.3f}")


if __name__ == "__main__":
    main()
