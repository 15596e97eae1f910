"""A handful of hard cases on coarse voxels: a floor under how well vertebrae come apart, to catch what breaks it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.phantoms.cases.hard_case import names_in_view
from canalwise.phantoms.cases.hard_cases import hard_suite
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.recon.labelling.ct_segmentation import segment
from canalwise.recon.labels import bone_mask, level_vertebrae, vertebra_number
from canalwise.recon.scan import Scan

COARSE = GridRequest((1.5, 1.5, 1.5), half_width_mm=36.0)
LEAST_DICE = {"density 60, patchy, thin cortex": 0.83, "both joints fused": 0.89, "slip 9": 0.87}
"""Of the planned level's vertebrae; 0.86, 0.92 and 0.90 when this was set, at 1.5 mm."""


@pytest.mark.parametrize(
    "name",
    [
        "both joints fused",
        *(pytest.param(name, marks=pytest.mark.thorough) for name in LEAST_DICE if name != "both joints fused"),
    ],
)
def test_vertebrae_of_a_hard_case_come_apart(name: str) -> None:
    case = next(case for case in hard_suite() if case.name == name)
    coarse = replace(case, levels=(case.level,), grid_request=COARSE)
    scan = coarse.scan()
    found = segment(Scan(scan.ct_hu, scan.grid, "CT"), names_in_view(scan.labels))
    for vertebra in level_vertebrae(case.level):
        number = vertebra_number(vertebra)
        true, ours = (bone_mask(labels) & (labels // 100 == number) for labels in (scan.labels, found.labels))
        assert 2 * np.sum(true & ours) / (true.sum() + ours.sum()) >= LEAST_DICE[name], vertebra
