"""Surfaces and volumes of a level packed for a browser."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "binary_frames": ["frame_bytes", "frame_of"],
        "endoscope_png": ["png_pixels"],
        "removal_volume": ["removal_of_estimate"],
        "surface_frame": ["BONE_TRIANGLES", "level_scene"],
    },
)
