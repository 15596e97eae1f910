"""Everything that does not depend on the approach: a level prepared once and evaluated many times."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "keep_out": ["KeepOut"],
        "level_bone": ["LevelBone"],
        "prepared_level": ["PreparedLevel"],
        "target_names": ["FROM_TARGETS", "NAMES", "chosen"],
    },
)
