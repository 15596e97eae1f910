"""The probability that each answer a level gives is right, question by question; so far that its name is.

`features_of` gathers what the image shows of a level, the numbers that models of further questions are to be fitted on
(`scripts/hard_measures.py` records them beside true errors).
"""

from __future__ import annotations

from canalwise.recon.anatomy import Anatomy, Level

NAME_RIGHT = "name right"


def features_of(anatomy: Anatomy, level: Level) -> dict[str, float]:
    """What the image shows of a level; empty where it was not judged."""
    return {} if level.confidence is None else dict(level.confidence.seen)


def question_probabilities(anatomy: Anatomy, level: Level) -> dict[str, float]:
    """Question -> probability that the level's answer is right; without those that cannot be judged."""
    naming = anatomy.naming
    return {} if naming is None else {NAME_RIGHT: naming.probability_of(level.name)}
