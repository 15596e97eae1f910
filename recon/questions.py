"""The probability that each answer a level gives is right, question by question.

What the image shows of a level (`Confidence.seen`) is turned into features of one kind, and a logistic model a question
into a probability. The models are records, fitted on made-up scans from the CT alone and checked on others
(`scripts/why_confidence.py`); a weight's sign is what it must be: longer voxels make no answer surer. They hold for
parts found automatically in a CT; of labels given and of MR nothing was fitted, and only the name is judged there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.recon.anatomy import Anatomy, Level, Source
from canalwise.recon.evidence import EvidenceClass

NAME_RIGHT = "name right"
CANAL, FACET, REMOVAL = "canal area within 10 %", "facet fraction within 0.1", "removal within 25 %"

FITTED = "logistic fit, scripts/why_confidence.py"

Features = dict[str, float]


@dataclass(frozen=True)
class QuestionModel:
    """A logistic model of one question.

    Parameters
    ----------
    question : whose answer's probability it gives
    intercept : log odds where all features are 0
    weights : feature -> log odds for each unit of it
    source, evidence : where the numbers come from
    """

    question: str
    intercept: float
    weights: Mapping[str, float]
    source: str = FITTED
    evidence: EvidenceClass = "CALC"

    def probability(self, features: Mapping[str, float]) -> float:
        """Probability that the answer is right.

        >>> QuestionModel("toy", 0.0, {"log voxel mm": -2.0}).probability({"log voxel mm": 0.0})
        0.5
        """
        odds = self.intercept + sum(weight * features[name] for name, weight in self.weights.items())
        return float(1.0 / (1.0 + np.exp(-odds)))


def features_of(seen: Mapping[str, float]) -> Features:
    """What the image shows of a level as features of about equal range; empty where nothing was judged.

    >>> features_of({})
    {}
    """
    if not seen:
        return {}
    return {
        "log voxel mm": float(np.log(seen["voxel mm"])),
        "canal's contrast": float(np.log1p(seen["canal contrast over noise"])),
        "arch's contrast": float(np.log1p(seen["arch contrast over noise"])),
        "cut off": seen["arch at the scan's end"] + seen["canal at the scan's end"],
        "missing": min(seen["structures missing"], 3.0),
        "gap darker": float(np.clip(seen["joint gap darker by"], 0.0, 1.0)),
        "gap over voxel": float(np.clip(np.log((seen["joint gap mm"] + 0.1) / seen["voxel mm"]), -3.0, 1.0)),
        "joints": seen["joints"],
        "windows": seen["windows"],
        "alike": seen["sides alike"],
        "out of range": min(seen["measurements out of range"], 3.0),
    }


MODELS: tuple[QuestionModel, ...] = ()
"""One for each question that was fitted."""


def question_probabilities(anatomy: Anatomy, level: Level) -> dict[str, float]:
    """Question -> probability that the level's answer is right; without those that cannot be judged."""
    naming = anatomy.naming
    named = {} if naming is None else {NAME_RIGHT: naming.probability_of(level.name)}
    seen = {} if level.confidence is None else level.confidence.seen
    return named | fitted_probabilities(seen, anatomy.sources, bool(level.joints))


def fitted_probabilities(seen: Mapping[str, float], sources: Mapping[str, Source], joints: bool) -> dict[str, float]:
    """The same without the name; nothing of a facet joint where none is given a number.

    >>> fitted_probabilities({}, {"parts": "given"}, joints=True)
    {}
    """
    features = features_of(seen)
    if not features or sources.get("parts", "automatic") != "automatic" or not seen.get("calibrated", 1.0):
        return {}
    return {model.question: model.probability(features) for model in MODELS if joints or model.question != FACET}
