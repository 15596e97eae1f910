"""The bony canal as a tube along the spine, with the soft tissue in it."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "calcification": ["with_calcified"],
        "soft_tissue_model": ["with_modelled_tissue"],
        "tube": ["CanalTube", "canal_along", "canal_from_bone"],
        "wall": ["Stations"],
    },
)
