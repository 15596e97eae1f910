"""From a CT to a label map: the network, vertebra instances, corrections by seed points."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "instances": ["VertebraInstances"],
        "network": ["prior_kinds"],
        "seed_points": ["Seeds", "check_canal_free"],
        "tissue_classes": ["TissueClass", "TissueClassMap"],
    },
)
