"""The coarse form is held against the fine one over approaches from straight to flat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.stats import spearmanr

from canalwise.estimator.resection.coarse import coarse_resections
from canalwise.estimator.resection.resection import resection_level_of, resection_of


def test_coarse_form_follows_the_fine_one(prepared, found):
    at, usual = resection_level_of(prepared), found.resection.approach
    first = usual.phases[0]
    distance = usual.pivot_distance_mm
    approaches = [replace(usual, phases=(replace(first, medial_tilt_deg=tilt, pivot_shift_mm=(0.0, 0.0, 0.0)),))
                  for tilt in (0.0, 8.0, 14.0, 20.0, 26.0)]  # fmt: skip
    assert all(approach.pivot_distance_mm == distance for approach in approaches)
    coarse = coarse_resections(at, approaches)
    fine = [resection_of(at, approach) for approach in approaches]
    wanted, far = at.wanted, at.wanted.on_side("right")
    freed = [float(wanted.mm3[far] @ each.taken_frac[far]) / wanted.mm3[far].sum() for each in fine]
    assert spearmanr(coarse.far(approaches), freed).statistic >= 0.85
    assert np.abs(coarse.far(approaches) - freed).max() <= 0.2
    assert (coarse.near(approaches) >= 0.85).all()
