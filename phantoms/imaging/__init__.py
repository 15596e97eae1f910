"""Scans of phantoms and of vertebra surfaces, with artefacts."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "mesh_scans": ["AIR_MM", "MARGIN_MM"],
        "grids": ["GridRequest", "natural_grid"],
        "scanner": ["PhantomScan", "Scanner"],
        "warp": ["Warp"],
    },
)
