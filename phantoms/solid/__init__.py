"""Signed distances, poses, sizes and quadrature: what spines are made of."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "canal_section": ["Tube"],
        "dimensions": ["VertebraSize"],
        "point_batch": ["Box", "batch_of"],
        "pose": ["Pose"],
        "signed_distance": ["Capsule"],
    },
)
