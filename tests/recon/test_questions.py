"""Probabilities of a level's answers: what must lower and raise them, and where nothing is said."""

import math

import pytest

from canalwise.recon.questions import FACET, MODELS, QuestionModel, features_of, fitted_probabilities

CLEAR = {
    "calibrated": 1.0,
    "voxel mm": 0.8,
    "canal contrast over noise": 20.0,
    "arch contrast over noise": 15.0,
    "canal at the scan's end": 0.0,
    "arch at the scan's end": 0.0,
    "structures missing": 0.0,
    "joint gap darker by": 0.6,
    "joint gap darker over noise": 10.0,
    "joint gap mm": 1.5,
    "joints": 2.0,
    "windows": 2.0,
    "sides alike": 0.9,
    "measurements out of range": 0.0,
}
AUTOMATIC = {"parts": "automatic"}


def test_log_odds_are_the_weighted_sum() -> None:
    model = QuestionModel("toy", 0.5, {"joints": 1.0, "missing": -2.0})
    assert model.probability({"joints": 2.0, "missing": 1.0}) == pytest.approx(1.0 / (1.0 + math.exp(-0.5)))


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.question)
def test_a_worse_image_makes_no_answer_surer(model: QuestionModel) -> None:
    clear = model.probability(features_of(CLEAR))
    for worse in (
        {"voxel mm": 3.0},
        {"canal contrast over noise": 2.0, "arch contrast over noise": 1.0},
        {"structures missing": 2.0},
        {"arch at the scan's end": 0.5},
        {"measurements out of range": 2.0},
        {"joints": 0.0, "joint gap darker by": 0.0, "joint gap mm": 0.0},
    ):
        assert model.probability(features_of(CLEAR | worse)) <= clear + 1e-12
    blind = CLEAR | {"voxel mm": 5.0, "canal contrast over noise": 1.0, "structures missing": 3.0, "windows": 0.0}
    assert model.probability(features_of(blind)) < clear - 0.1


def test_nothing_is_said_of_what_was_not_fitted() -> None:
    assert fitted_probabilities(CLEAR, {"parts": "given"}, joints=True) == {}
    assert fitted_probabilities(CLEAR | {"calibrated": 0.0}, AUTOMATIC, joints=True) == {}  # type: ignore[arg-type]
    assert FACET not in fitted_probabilities(CLEAR, AUTOMATIC, joints=False)  # type: ignore[arg-type]
