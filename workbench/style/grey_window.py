"""How a scan's values are shown in grey."""

from __future__ import annotations

import numpy as np

from canalwise.recon.scan import Scan

BONE_WINDOW_HU = (-150.0, 900.0)
"""Black and white of the CT in the pictures (common practice for bone, no source)."""

OUTSIDE_HU = -1000.0
"""What is drawn beyond the scan: air."""


def grey_window(scan: Scan) -> tuple[float, float]:
    """The values drawn black and white: a bone window for CT, the 1st and 99th percentile for MR."""
    if scan.modality == "CT":
        return BONE_WINDOW_HU
    low, high = np.percentile(scan.voxels, (1, 99))
    return float(low), float(high)
