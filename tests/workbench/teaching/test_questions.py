"""Questions answered from the geometry: right answers against the estimate's own numbers, on toy, phantom and scan."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from canalwise.estimator.estimate.estimate import Estimate, estimate, estimate_of
from canalwise.estimator.estimate.estimate_json import estimate_as_json
from canalwise.estimator.estimate.intervals import no_intervals
from canalwise.estimator.estimate.limit_checks import verdicts_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.limits import Limits
from canalwise.estimator.planning.clock_positions import MIDDLE
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import SIDES, Side
from canalwise.workbench.console.json_results import with_decompression
from canalwise.workbench.style.phrases import amount, clock_words, percent
from canalwise.workbench.teaching.lesson_question import LessonQuestion, UnanswerableQuestion
from canalwise.workbench.teaching.placeholders import CAUSES, PlanFacts, facet_kept_frac
from canalwise.workbench.teaching.questions import (
    APART_FRAC,
    APART_HOURS,
    CHOICES,
    KINDS,
    NONE_BREAKS,
    question_of,
)
from tests.laws.scenes import LEVEL, SPEC, anatomy_on, grid_of, ready_level
from tests.workbench import toy

BY_SEARCH = ("better side", "enough access")
"""Answered by searching plans, which takes too long to be asked of everything (see test_access_questions.py)."""

KINDS_AND_SUBJECTS = [
    (kind, of) for kind, about in KINDS.items() if kind not in BY_SEARCH for of in about.subjects or ("",)
]
SEEDS = range(20)


@pytest.fixture(scope="module", params=SIDES)
def toy_facts(request: pytest.FixtureRequest) -> PlanFacts:
    return PlanFacts(estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", request.param)))


@pytest.fixture(scope="module")
def phantom() -> dict[Side, PlanFacts]:
    """From either side of the lopsided phantom."""
    prepared = ready_level(anatomy_on(SPEC, grid_of(SPEC)))
    approaches = {side: default_approach(prepared.anatomy, LEVEL, side) for side in SIDES}
    return {side: PlanFacts(estimate_of(prepared, approach)) for side, approach in approaches.items()}


@pytest.fixture(scope="module")
def crop(data_dir: Path) -> list[PlanFacts]:
    """Every level and side of the real scan that can be docked on."""
    scan = read_scan(data_dir / "ct_lumbar_crop_1p5mm" / "ct.nii.gz")
    anatomy = anatomy_of(scan, vertebrae=("L2", "L3", "L4"))
    prepared = [prepared_level(anatomy, level.name).ready() for level in anatomy.levels]
    return [
        PlanFacts(estimate_of(level, default_approach(anatomy, level.level.name, side)))
        for level in prepared
        for side in SIDES
    ]


def number_in(words: str) -> float:
    """The number a choice begins with."""
    return float(words.split()[0])


def assert_fair(question: LessonQuestion | UnanswerableQuestion) -> None:
    """The right answer is among different choices, with the reason; or the reason says why there is no question."""
    assert question.because.endswith(".")
    if isinstance(question, LessonQuestion):
        assert question.correct in question.choices
        assert 2 <= len(set(question.choices)) == len(question.choices)
        assert len(question.choices) <= CHOICES or "limit" in question.words
        assert question.words.endswith("?")
        assert "nan" not in " ".join([question.words, *question.choices, question.because])


@pytest.mark.parametrize(("kind", "of"), KINDS_AND_SUBJECTS)
def test_every_question_is_fair_on_the_toy(toy_facts, kind, of):
    for seed in SEEDS:
        assert_fair(question_of(toy_facts, kind, of, seed))


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(("kind", "of"), KINDS_AND_SUBJECTS)
def test_every_question_is_fair_on_the_phantom(phantom, side, kind, of):
    assert_fair(question_of(phantom[side], kind, of, 1))


def test_every_question_is_fair_on_a_real_scan(crop):
    """And nearly all are possible there."""
    assert len(crop) == 4
    question = [question_of(facts, kind, of, 1) for facts in crop for kind, of in KINDS_AND_SUBJECTS]
    for one in question:
        assert_fair(one)
    single = {
        kind
        for facts in crop
        for kind, of in KINDS_AND_SUBJECTS
        if isinstance(question_of(facts, kind, of, 1), LessonQuestion)
    }
    assert single == set(KINDS) - set(BY_SEARCH)


@pytest.mark.parametrize(("kind", "of"), KINDS_AND_SUBJECTS)
def test_the_same_seed_asks_the_same_and_the_draw_moves_the_right_answer(phantom, kind, of):
    facts = phantom["left"]
    drawn = [question_of(facts, kind, of, seed) for seed in SEEDS]
    assert drawn == [question_of(facts, kind, of, seed) for seed in SEEDS]
    questions = [one for one in drawn if isinstance(one, LessonQuestion)]
    assert len(questions) in (0, len(drawn))
    assert len({one.correct for one in questions}) <= 1
    if questions and len(questions[0].choices) >= CHOICES and kind != "facet kept":
        assert len({one.choices.index(one.correct) for one in questions}) > 1


@pytest.mark.parametrize("side", SIDES)
def test_right_answers_are_the_estimates_numbers(phantom, side):
    facts = phantom[side]
    plain = estimate_as_json(facts.estimate, no_intervals(facts.estimate))
    document = with_decompression(plain, facts.estimate.prepared, facts.estimate.approach, None)
    reach, bone = document["contralateral_reach"], document["resection"]["bone_removed_mm3"]
    expected = {
        ("reach mm", ""): amount(reach["lateral_mm"], "mm"),
        ("what stops", ""): CAUSES[reach["limited_by"]],
        ("bone mm3", "total"): amount(bone["total"], "mm3", 0),
        ("bone mm3", "spinous base"): amount(bone["by_structure"]["spinous base"], "mm3", 0),
        ("most bone", ""): max(bone["by_structure"], key=lambda name: bone["by_structure"][name]),
        ("entry lateral mm", ""): amount(document["skin_entry"]["lateral_mm"], "mm"),
    }
    for (kind, of), right in expected.items():
        question = question_of(facts, kind, of, 3)
        assert isinstance(question, LessonQuestion), (kind, question)
        assert question.correct == right, kind
        assert right in question.because, kind


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("kind", ["structure at clock", "structure over the top"])
def test_only_the_right_structure_lies_at_the_hour_requested(phantom, side, kind):
    facts = phantom[side]
    hours = facts.near_hours if kind == "structure at clock" else facts.far_hours
    assert hours
    for of in hours:
        for seed in SEEDS:
            question = question_of(facts, kind, of, seed)
            assert isinstance(question, LessonQuestion)
            assert question.correct == of
            assert clock_words(hours[of]) in question.words
            for wrong in set(question.choices) - {of}:
                middle = MIDDLE in (hours[wrong], hours[of])
                apart = min((hours[wrong] - hours[of]) % 12, (hours[of] - hours[wrong]) % 12)
                assert middle or apart >= APART_HOURS


@pytest.mark.parametrize("of", ["total", "spinous base"])
def test_wrong_numbers_stand_apart_from_the_right_one(phantom, of):
    for seed in SEEDS:
        question = question_of(phantom["left"], "bone mm3", of, seed)
        assert isinstance(question, LessonQuestion)
        numbers = sorted(number_in(choice) for choice in question.choices)
        assert [number_in(choice) for choice in question.choices] == numbers
        for low, high in pairwise(numbers):
            assert high - low >= APART_FRAC * low - 1.0  # shown to the whole mm3


def relimited(found: Estimate, **limits: float) -> PlanFacts:
    """The facts under other limits."""
    return PlanFacts(estimate_of(replace(found.prepared, limits=Limits().changed(**limits)).ready(), found.approach))


def test_the_first_limit_is_the_one_that_breaks(phantom):
    plain = phantom["left"].estimate
    strict = relimited(plain, lateral_removal_mm=5.0)
    question = question_of(strict, "first limit", "", 0)
    assert isinstance(question, LessonQuestion)
    assert question.correct == "farthest bone taken from the midline"
    assert "does this plan break" in question.words
    assert {name for name in question.choices} <= {verdict.name for verdict in verdicts_of(strict.estimate)}
    facts = phantom["left"]
    question = question_of(facts, "first limit", "", 0)
    assert isinstance(question, LessonQuestion)
    assert "breaks first" in question.words
    assert facts.first_limit is not None
    assert question.correct == facts.first_limit.name
    assert f"{facts.first_limit.wider_deg:.1f}\u00b0 more" in question.because


def test_none_of_the_limits_is_an_answer_too(phantom):
    loose = relimited(phantom["left"].estimate, facet_area_kept_frac=0.0, facet_width_kept_frac=0.0,
                      pars_residual_mm=0.0, spinous_undercut_frac=2.0, spinous_bridge_mm=0.0,
                      lateral_removal_mm=500.0)  # fmt: skip
    question = question_of(loose, "first limit", "", 0)
    assert isinstance(question, LessonQuestion)
    assert question.correct == NONE_BREAKS


def test_the_limit_on_the_joint_is_stated_beside_what_stays(phantom):
    facts = relimited(phantom["left"].estimate, facet_area_kept_frac=0.7)
    question = question_of(facts, "facet kept", "contralateral", 0)
    assert isinstance(question, LessonQuestion)
    assert "70 %" in question.because
    assert percent(facet_kept_frac(facts, "contralateral")) in question.because


@pytest.mark.parametrize(
    ("kept", "band"),
    [
        (0.2, "less than 50 %"), (0.494, "less than 50 %"), (0.5, "50 to 74 %"), (0.89, "75 to 89 %"),
        (0.899, "90 % or more"), (1.0, "90 % or more"),
    ],
)  # fmt: skip
def test_the_share_of_a_joint_falls_into_the_band_it_is_reported_in(phantom, kept, band):
    found = phantom["left"].estimate
    facets = {side: replace(facet, area_frac=kept) for side, facet in found.cone.facets.items()}
    facts = PlanFacts(replace(found, cone=replace(found.cone, facets=facets)))
    question = question_of(facts, "facet kept", "ipsilateral", 0)
    assert isinstance(question, LessonQuestion)
    assert (question.correct, percent(kept) in question.because) == (band, True)


@pytest.mark.parametrize(
    ("kind", "of", "parts"),
    [
        ("structure at clock", "upper lamina", {"windows": {}, "landmarks_ras_mm": {}}),
        ("structure over the top", "disc", {"targets": {}}),
        ("reach mm", "", {"targets": {}}),
        ("what stops", "", {"targets": {}}),
        ("facet kept", "ipsilateral", {"joints": {}}),
    ],
)
def test_what_is_not_in_view_is_no_question(toy_facts, kind, of, parts):
    found = toy_facts.estimate
    level = replace(found.level, **parts)
    anatomy = replace(found.anatomy, levels=(level,))
    bare = PlanFacts(estimate_of(replace(found.prepared, anatomy=anatomy, level=level).ready(), found.approach))
    question = question_of(bare, kind, of, 0)
    assert isinstance(question, UnanswerableQuestion)
    assert "not in view" in question.because


def test_bone_that_stays_is_no_question(phantom):
    """The far pars loses nothing on this plan."""
    facts = phantom["left"]
    assert facts.task_mm3["pars contralateral"] == 0
    assert isinstance(question_of(facts, "bone mm3", "pars contralateral", 0), UnanswerableQuestion)
