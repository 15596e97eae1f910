"""One scan registered to another, vertebra by vertebra: rigid motions, how sure each is, and a blend between them."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "blend": ["BlendedMotion"],
        "rigid_motion": ["RigidMotion"],
        "vertebra_registration": ["VertebraRegistration", "registered"],
    },
)
