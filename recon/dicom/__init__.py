"""DICOM in: files, headers, series, stacks, pixels and segmentation objects."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "reader": ["read_dicom"],
        "segmentation_object": ["is_segmentation", "read_segmentation", "segmentation_grid", "segmentation_layers"],
    },
)
