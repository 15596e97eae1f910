"""Bridge of the spinous base left between both sides: its thinnest row in the mid-sagittal section.

A mean over rows can grow when bone is taken, because rows that are cut through leave it. The least over the rows that
were there before can only fall, and a row cut through counts nothing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from canalwise.estimator.level.pars_and_base_samples import SampledPart
from canalwise.estimator.level.sample_spacing import SAMPLE_MM
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.pars_and_spinous_base import BaseBridge, remaining_widths
from canalwise.recon.grid import Float

ENDS_FRAC = 0.10
"""This share of the section's bone at its cranial and caudal ends is left out: there it only tapers (choice)."""


def base_bridge(part: SampledPart | None, removal: Removal) -> BaseBridge:
    """Bridge that a removal leaves of the upper vertebra's spinous base (`ParsAndBaseSamples.base`)."""
    if part is None or not part.before.any():
        return BaseBridge(float("nan"), float("nan"), float("nan"))
    x = int(part.profile.argmax())
    before = rows_mm(part.before[x])
    looked_at = middle_rows(before)
    left = remaining_widths(part, removal)
    after = before if left is None else rows_mm(left.section(part.before, x))
    lost = 0.0 if left is None else float(left.lost.sum()) / max(float(part.profile.sum()), 1e-9)
    return BaseBridge(float(after[looked_at].min()), float(before[looked_at].min()), lost)


def rows_mm(section: npt.NDArray[np.float32]) -> Float:
    """(nz,) array: thickness of each row of a (ny, nz) section of bone fractions.

    >>> (rows_mm(np.array([[1.0, 0.0], [0.5, 0.0]], dtype=np.float32)) / SAMPLE_MM).tolist()
    [1.5, 0.0]
    """
    return np.asarray(section.sum(axis=0, dtype=float) * SAMPLE_MM)


def middle_rows(thickness_mm: Float) -> slice:
    """The rows that hold all but ENDS_FRAC of the section at either end.

    >>> middle_rows(np.array([0.1, 1.0, 1.0, 0.1]))
    slice(1, 3, None)
    """
    upward = np.cumsum(thickness_mm)
    held = np.flatnonzero((upward > ENDS_FRAC * upward[-1]) & (upward - thickness_mm < (1 - ENDS_FRAC) * upward[-1]))
    return slice(int(held[0]), int(held[-1]) + 1)
