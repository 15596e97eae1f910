"""The report's section on confidence: reasons, structures, corrections, and the slices to look at by eye."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from canalwise.recon.anatomy import Anatomy, Confidence, Level, Naming
from canalwise.recon.case.corrections import correction_sentences
from canalwise.recon.measurement.confidence import CHECK_BELOW
from canalwise.recon.questions import MODELS, NAME_RIGHT, OF_A_PLAN, question_probabilities
from canalwise.workbench.style.phrases import number

Json = Mapping[str, Any]


def sure_sentence(level: Level) -> str:
    """How sure the level is, in one sentence for the head of the page.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> sure_sentence(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {}))
    'How sure this level is was not judged.'
    """
    sure = level.confidence
    if sure is None:
        return "How sure this level is was not judged."
    reported = f"confidence {number(sure.value_frac, 2)} of 1"
    return f"CHECK BY EYE: {reported}." if sure.check_by_eye else f"{reported[0].upper()}{reported[1:]}."


def names_sentence(naming: Naming, level: str) -> str:
    """What a level's name rests on, with its probability, and the question to answer where it is not confirmed.

    >>> names_sentence(Naming("ribs", 0.97, "ribs are in view"), "L1-L2")
    'Level names: ribs are in view (probability 0.97).'
    """
    presumed = f", {naming.condition}" if naming.condition else ""
    reported = f"Level names: {naming.because} (probability {naming.probability_of(level):.2f}{presumed})."
    return reported if naming.confirmed else f"{reported} NOT CONFIRMED: {naming.question}"


def weak_sentences(level: Level) -> list[str]:
    """Why a level is to be looked at by eye, the weightiest reason first; nothing when it need not be."""
    sure = level.confidence
    if sure is None or not sure.check_by_eye:
        return []
    weak = sorted((r for r in sure.reasons if r.value_frac < CHECK_BELOW.value), key=lambda r: r.value_frac)
    return [f"{r.because[0].upper()}{r.because[1:]}." for r in weak]


def reason_rows(sure: Confidence) -> list[tuple[str, str, str]]:
    """(what was looked at, how sure, why), the least sure first; without the probabilities of `question_rows`.

    >>> from canalwise.recon.anatomy import Reason
    >>> reason_rows(Confidence(0.5, False, (Reason("joint gap", 0.5, "it is narrow"),), ()))
    [('joint gap', '0.50', 'it is narrow')]
    """
    questions = {model.question for model in MODELS}
    seen = sorted((r for r in sure.reasons if r.about not in questions), key=lambda r: r.value_frac)
    return [(r.about, number(r.value_frac, 2), r.because) for r in seen]


def question_rows(naming: Naming | None, probabilities: Mapping[str, float]) -> list[tuple[str, str, str]]:
    """(question, probability that the answer to it is right, what that probability rests on).

    `probabilities` : of an estimate's JSON
    """
    rests = {model.question: model.source for model in (*MODELS, OF_A_PLAN)}
    rests[NAME_RIGHT] = "" if naming is None else naming.because
    return [(question, number(value, 2), rests[question]) for question, value in probabilities.items()]


def answers_sentence(anatomy: Anatomy, level: Level) -> str:
    """The probability that each answer about a level is right, in one sentence; empty where none has one."""
    questions = [f"{name} {number(value, 2)}" for name, value in question_probabilities(anatomy, level).items()]
    return f"Probability that an answer is right: {'; '.join(questions)}." if questions else ""


def structure_rows(sure: Confidence) -> list[tuple[str, str, str]]:
    """(structure, how sure, standard deviation of its border), the least sure first.

    >>> from canalwise.recon.anatomy import StructureConfidence
    >>> structure_rows(Confidence(0.9, False, (), (StructureConfidence("canal", 0.9, 0.2, ()),)))
    [('canal', '0.90', '0.20 mm')]
    """
    reported = sorted(sure.structures, key=lambda s: (s.value_frac, s.name))
    return [(s.name, number(s.value_frac, 2), f"{number(s.border_sd_mm, 2)} mm") for s in reported]


def corrected_sentences(anatomy: Anatomy) -> list[str]:
    """What a person corrected, one sentence each."""
    return [f"Corrected: {sentence}." for sentence in correction_sentences(anatomy.corrections)]
