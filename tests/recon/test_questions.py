"""Probabilities of a level's answers: what must lower and raise them, and where nothing is said."""

from math import log

import numpy as np
import pytest
from scipy import stats

from canalwise.recon.questions import (
    FACET,
    MODELS,
    RESECTION,
    QuestionModel,
    features_of,
    fitted_probabilities,
    resection_probability,
)

CLEAR = {
    "calibrated": 1.0,
    "voxel mm": 0.8,
    "canal mm2": 320.0,
    "canal's border open": 0.3,
    "canal at the scan's end": 0.0,
    "arch at the scan's end": 0.0,
    "joint gap mm": 1.5,
    "windows": 2.0,
    "sides alike": 0.9,
    "measurements out of range": 0.0,
    "sacral": 0.0,
}
AUTOMATIC = {"parts": "automatic"}


def test_probability_is_the_share_of_log_errors_below_the_limit() -> None:
    model = QuestionModel("toy", 0.1, -2.5, {"alike": -1.0, "sacral": 0.4}, 0.8, 0.01)
    errors = np.exp(np.random.default_rng(0).normal(-2.5 - 0.5 + 0.4, 0.8, 200_000)) - 0.01
    stated = model.probability({"alike": 0.5, "sacral": 1.0})
    assert stated == pytest.approx((errors <= 0.1).mean(), abs=0.005)
    assert stated == pytest.approx(stats.norm.cdf((log(0.11) + 2.6) / 0.8))


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.question)
def test_a_worse_image_makes_no_answer_surer(model: QuestionModel) -> None:
    clear = model.probability(features_of(CLEAR))
    for worse in (
        {"voxel mm": 3.0},
        {"canal mm2": 120.0},
        {"canal's border open": 0.6},
        {"windows": 0.0},
        {"sides alike": 0.2},
        {"measurements out of range": 3.0},
        {"arch at the scan's end": 0.5},
        {"joint gap mm": 0.0},
        {"sacral": 1.0},
    ):
        assert model.probability(features_of(CLEAR | worse)) <= clear + 1e-12
    blind = CLEAR | {"voxel mm": 5.0, "canal mm2": 0.0, "canal's border open": 0.8, "windows": 0.0, "sides alike": 0.1}
    assert model.probability(features_of(blind)) < clear - 0.3


def test_nothing_is_said_of_what_was_not_fitted() -> None:
    assert fitted_probabilities(CLEAR, {"parts": "given"}, joints=True) == {}
    assert fitted_probabilities(CLEAR | {"calibrated": 0.0}, AUTOMATIC, joints=True) == {}  # type: ignore[arg-type]
    assert FACET not in fitted_probabilities(CLEAR, AUTOMATIC, joints=False)  # type: ignore[arg-type]


def test_the_less_a_resection_takes_the_less_sure_its_bone() -> None:
    stated = [resection_probability(CLEAR, AUTOMATIC, mm3)[RESECTION] for mm3 in (0.0, 100.0, 400.0, 1600.0)]  # type: ignore[arg-type]
    assert stated == sorted(stated)
    assert stated[-1] - stated[0] > 0.3
    blurred = CLEAR | {"canal's border open": 0.7}
    assert resection_probability(blurred, AUTOMATIC, 400.0)[RESECTION] < stated[2]  # type: ignore[arg-type]
    assert resection_probability(CLEAR, {"parts": "given"}, 400.0) == {}
