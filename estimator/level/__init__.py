"""What does not depend on the approach: a level prepared once and evaluated many times."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "border_uncertainty": ["BorderUncertainty", "MIDLINE_SD_MM"],
        "keep_out": ["KeepOut"],
        "level_bone": ["LevelBone"],
        "prepared_level": ["PreparedLevel", "level_for_task"],
        "target_names": ["FROM_TARGETS", "NAMES", "chosen"],
        "task_level": ["TaskLevel"],
    },
)
