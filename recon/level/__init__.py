"""One motion segment: its frame, landmarks, joints, window, targets."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "axial_contour": ["border_mm", "canal_contour"],
        "resampled_level": ["Float32", "ResampledLevel", "Share", "antialiased"],
    },
)
