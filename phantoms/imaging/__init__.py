"""Scans of phantoms and of vertebra surfaces, with artefacts."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "grids": ["GridRequest", "natural_grid"],
        "mesh_scans": ["AIR_MM"],
        "scanner": ["PhantomScan", "Scanner"],
        "warp": ["Warp"],
    },
)
