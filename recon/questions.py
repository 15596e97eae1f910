"""The probability that each answer a level gives is right, question by question.

What the image shows of a level (`Confidence.seen`) is turned into features of one kind. A model is a record: the
logarithm of an answer's error scatters normally about a weighted sum of features, and the probability is that of an
error within the question's limit. It was fitted on made-up scans from the CT alone (`scripts/confidence_records.py`,
`scripts/why_confidence.py --records FILE --fit`); a weight's sign is what it must be: a canal with an open border makes
no answer surer. Of labels given and of MR nothing is fitted, and so only the name has a probability. How near the bone
of a resection comes depends on the plan as well: the less it takes, the more the same border is of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import erfc, log, sqrt

import numpy as np

from canalwise.recon.anatomy import Anatomy, Level, Source
from canalwise.recon.evidence import EvidenceClass

NAME_RIGHT = "name right"
CANAL_AT_DISC, CANAL_AT_PEDICLE = "canal area at disc within 10 %", "canal area at pedicle within 10 %"
FACET = "facet fraction within 0.1"
RESECTION = "resection within 25 %"

FITTED = "log error regressed on {answers} answers of 38 made-up spines; on spines held out Brier {brier}, rank {rank}"

Features = dict[str, float]


@dataclass(frozen=True)
class QuestionModel:
    """A model of one question: ln(error + floor) is normal about a sum of features.

    Parameters
    ----------
    question : whose answer's probability it gives
    limit : error up to which the answer is right, a fraction
    intercept : mean of the log error where all features are 0
    weights : feature -> log error for each unit of it
    scatter : standard deviation of the log error about its mean
    floor : added to the error, a fraction
    source, evidence : where the numbers come from
    """

    question: str
    limit: float
    intercept: float
    weights: Mapping[str, float]
    scatter: float
    floor: float
    source: str = "scripts/why_confidence.py"
    evidence: EvidenceClass = "CALC"

    def probability(self, features: Mapping[str, float]) -> float:
        """Probability that the answer is right.

        >>> QuestionModel("toy", 0.1, log(0.1), {"alike": -1.0}, 1.0, 0.0).probability({"alike": 0.0})
        0.5
        """
        mean = self.intercept + sum(weight * features[name] for name, weight in self.weights.items())
        return 0.5 * erfc((mean - log(self.limit + self.floor)) / self.scatter / sqrt(2.0))


SEEN_NAMES = frozenset(
    {
        "canal mm2",
        "canal's border open",
        "joint gap mm",
        "voxel mm",
        "windows",
        "sides alike",
        "measurements out of range",
        "arch at the scan's end",
        "canal at the scan's end",
        "sacral",
    }
)
"""What of `Confidence.seen` features are made of."""


def features_of(seen: Mapping[str, float]) -> Features:
    """What the image shows of a level as features of about equal range; empty where not all of it was judged.

    A case of an earlier version lacks some.

    >>> features_of({}), features_of({"windows": 1.0})
    ({}, {})
    """
    if not seen.keys() >= SEEN_NAMES:
        return {}
    return {
        "log canal mm2": float(np.log(max(seen["canal mm2"], LEAST_CANAL_MM2) / USUAL_CANAL_MM2)),
        "canal's border open": seen["canal's border open"],
        "gap over voxel": float(np.clip(np.log((seen["joint gap mm"] + 0.1) / seen["voxel mm"]), -3.0, 1.0)),
        "windows": seen["windows"],
        "alike": seen["sides alike"],
        "out of range": min(seen["measurements out of range"], 3.0),
        "cut off": seen["arch at the scan's end"] + seen["canal at the scan's end"],
        "sacral": seen["sacral"],
    }


LEAST_CANAL_MM2, USUAL_CANAL_MM2 = 50.0, 300.0
"""The canal's least area is held against the second, and counts as the first where it is smaller or not known."""

LEAST_RESECTION_MM3, USUAL_RESECTION_MM3 = 20.0, 500.0
"""The bone of a resection is held against the second, and counts as the first where it is less."""


def plan_features(features: Mapping[str, float], resection_mm3: float) -> Features:
    """The features of a level with those of a plan's resection."""
    return dict(features) | {"log resection mm3": log(max(resection_mm3, LEAST_RESECTION_MM3) / USUAL_RESECTION_MM3)}


MODELS: tuple[QuestionModel, ...] = (
    QuestionModel(
        CANAL_AT_DISC,
        limit=0.1,
        intercept=-2.938,
        weights={"log canal mm2": -0.713, "canal's border open": 1.526, "gap over voxel": -0.219, "alike": -0.605},
        scatter=0.937,
        floor=0.005,
        source=FITTED.format(answers=144, brier="0.219 (always the mean 0.229)", rank="0.28"),
    ),
    QuestionModel(
        CANAL_AT_PEDICLE,
        limit=0.1,
        intercept=-3.683,
        weights={
            "log canal mm2": -0.766,
            "canal's border open": 3.114,
            "gap over voxel": -0.25,
            "windows": -0.387,
            "sacral": 0.568,
        },
        scatter=0.732,
        floor=0.005,
        source=FITTED.format(answers=144, brier="0.116 (always the mean 0.161)", rank="0.62"),
    ),
    QuestionModel(
        FACET,
        limit=0.1,
        intercept=-3.174,
        weights={"log canal mm2": -1.601, "out of range": 0.168, "windows": -0.196},
        scatter=0.741,
        floor=0.005,
        source=FITTED.format(answers=98, brier="0.087 (always the mean 0.092)", rank="0.63"),
    ),
)
"""One for each question that was fitted; `scripts/why_confidence.py` prints their reliability. A rank is Spearman's
correlation of 1 - probability with the true error."""


OF_A_PLAN = QuestionModel(
    RESECTION,
    limit=0.25,
    intercept=-1.668,
    weights={"log resection mm3": -0.836, "canal's border open": 1.065},
    scatter=1.572,
    floor=0.005,
    source=FITTED.format(answers=128, brier="0.223 (always the mean 0.250)", rank="0.42"),
)
"""Of an approach's resection, against that of the same approach on the true anatomy."""


def resection_probability(
    seen: Mapping[str, float], sources: Mapping[str, Source], resection_mm3: float
) -> dict[str, float]:
    """The question of a plan's resection -> probability that its bone is right; empty where that was not fitted.

    >>> resection_probability({}, {"parts": "given"}, 400.0)
    {}
    """
    features = _fitted_features(seen, sources)
    return {RESECTION: OF_A_PLAN.probability(plan_features(features, resection_mm3))} if features else {}


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
    features = _fitted_features(seen, sources)
    wanted = [model for model in MODELS if joints or model.question != FACET] if features else []
    return {model.question: model.probability(features) for model in wanted}


def _fitted_features(seen: Mapping[str, float], sources: Mapping[str, Source]) -> Features:
    """Features of a level found in a CT alone; empty of any other."""
    automatic = sources.get("parts", "automatic") == "automatic" and seen.get("calibrated", 1.0)
    return features_of(seen) if automatic else {}
