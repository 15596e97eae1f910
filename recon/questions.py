"""The probability that each answer a level gives is right, question by question; so far that its name is.

`features_of` gathers what the image shows of a level, the numbers that models of further questions are to be fitted on
(`scripts/hard_measures.py` records them beside true errors).
"""

from __future__ import annotations

import numpy as np

from canalwise.recon.anatomy import Anatomy, Level

NAME_RIGHT = "name right"


def features_of(anatomy: Anatomy, level: Level) -> dict[str, float]:
    """What the image shows of a level; empty where it was not judged."""
    sure = level.confidence
    if sure is None:
        return {}
    least: dict[str, float] = {}
    for reason in sure.reasons:
        key = "joint gaps" if reason.about.startswith(("joint gap", "voxels and gap")) else reason.about
        least[key] = min(least.get(key, 1.0), reason.value_frac)
    canal = next((s.value_frac for s in sure.structures if s.name == "canal"), 0.0)
    voxel_mm = anatomy.longest_voxel_mm
    return {
        "log voxel mm": float(np.log(voxel_mm)),
        "canal": canal,
        "borders": least.get("borders", 0.0),
        "joint gaps": least.get("joint gaps", 0.0),
        "symmetry": least.get("symmetry", 0.0),
    }


def question_probabilities(anatomy: Anatomy, level: Level) -> dict[str, float]:
    """Question -> probability that the level's answer is right; without those that cannot be judged."""
    naming = anatomy.naming
    return {} if naming is None else {NAME_RIGHT: naming.probability_of(level.name)}
