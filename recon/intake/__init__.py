"""From a scan file or label map to a checked `Scan` or labels on its grid, or a clear refusal."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "label_maps": ["GivenLabels", "check_order", "check_sides", "read_given_labels"],
        "label_names": ["VoxelMeaning"],
        "nifti_writer": ["write_nifti"],
    },
)
