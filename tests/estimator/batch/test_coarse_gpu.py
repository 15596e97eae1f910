"""Coarse resections chosen on a graphics card against the same on the processor; all but the first need a card."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.batch.coarse_gpu import GpuChoice
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.resection.coarse import CLOSE, SCREEN, coarse_resections, in_halves
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.errors import WrongUse
from tests.laws.scenes import SPEC, anatomy_on, grid_of, ready_level, usual

SAME_REL, SAME_FRAC = 1e-6, 0.9  # lines that cost nearly the same may be chosen otherwise, and then bone differs
FREED_TOL = 0.1
COUNT = 40


@pytest.fixture(scope="module")
def prepared() -> PreparedLevel:
    return ready_level(anatomy_on(SPEC, grid_of(SPEC)))


@pytest.fixture(scope="module")
def at(prepared) -> ResectionLevel:
    return resection_level_of(prepared)


@pytest.fixture(scope="module")
def plans(prepared) -> list[Approach]:
    plan = usual(prepared.anatomy)
    tilts, first = np.random.default_rng(3).uniform(-6.0, 12.0, COUNT), plan.phases[0]
    return [replace(plan, phases=(replace(first, medial_tilt_deg=first.medial_tilt_deg + t),)) for t in tilts]


@pytest.fixture(scope="module")
def card() -> GpuChoice:
    try:
        return GpuChoice()
    except WrongUse as error:
        pytest.skip(str(error))


def test_what_chooses_is_given_the_lines_of_all_approaches(at, plans):
    seen = []

    def chooser(site, pool, numbers, planes, effort, out):
        seen.append((numbers.shape[0], planes.shape, effort))
        in_halves(site, pool, numbers, planes, effort, out)

    one, other = coarse_resections(at, plans[:6], SCREEN), coarse_resections(at, plans[:6], SCREEN, chooser)
    assert seen == [(6, (6, 4), SCREEN.effort)]
    assert one.weighted_mm3.tobytes() == other.weighted_mm3.tobytes()


def test_card_chooses_as_the_processor_does(at, plans, card):
    ours, theirs = coarse_resections(at, plans, SCREEN, card), coarse_resections(at, plans, SCREEN)
    apart = np.abs(ours.weighted_mm3 - theirs.weighted_mm3) / np.maximum(theirs.weighted_mm3, 1.0)
    assert (apart < SAME_REL).mean() >= SAME_FRAC
    for side in ours.freed_frac:
        assert np.nanmax(np.abs(ours.freed_frac[side] - theirs.freed_frac[side])) < FREED_TOL


def test_same_question_same_bytes(at, plans, card):
    one, other = (coarse_resections(at, plans, SCREEN, card).weighted_mm3 for _ in range(2))
    assert one.tobytes() == other.tobytes()


def test_exchanging_lines_is_refused(at, plans, card):
    with pytest.raises(WrongUse, match="does not exchange"):
        coarse_resections(at, plans[:1], CLOSE, card)
