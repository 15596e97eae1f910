"""Fits and checks the probabilities of `canalwise.recon.questions` on records of `confidence_records.py`.

A record holds what the image showed of each level and how far off the answers were. `samples` turns records into one
row an answer; `fitted` regresses the logarithm of the error on what was seen, with a ridge and with signs that must
hold; `held_out` gives each row the probability of a model that saw no scan of its spine; `reliability` and `rank` say
how good probabilities are: ten bins, and Spearman's correlation of 1 - probability with the true error.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from canalwise.recon.questions import (
    CANAL_AT_DISC,
    CANAL_AT_PEDICLE,
    FACET,
    RESECTION,
    QuestionModel,
    features_of,
    plan_features,
)

SWEEP = "whole sweep within 25 %"
"""Asked of the records too, though no model is kept of it: nearly all answers are right."""

LIMITS = {CANAL_AT_DISC: 0.10, CANAL_AT_PEDICLE: 0.10, FACET: 0.10, RESECTION: 0.25, SWEEP: 0.25}
"""Question -> error up to which the answer counts as right."""

SIGNS = {
    "log canal mm2": -1,
    "canal's border open": 1,
    "gap over voxel": -1,
    "windows": -1,
    "alike": -1,
    "out of range": 1,
    "cut off": 1,
    "sacral": 1,
    "log resection mm3": -1,
}
"""Feature -> sign its weight must have: what makes the error greater or smaller."""

NAMES = {
    CANAL_AT_DISC: ("log canal mm2", "canal's border open", "gap over voxel", "alike", "out of range"),
    CANAL_AT_PEDICLE: ("log canal mm2", "canal's border open", "gap over voxel", "windows", "sacral"),
    FACET: ("log canal mm2", "canal's border open", "out of range", "cut off", "windows"),
    RESECTION: ("log resection mm3", "canal's border open"),
    SWEEP: ("log canal mm2", "canal's border open", "gap over voxel", "cut off"),
}
"""Features of each question, few for the number of rows."""

FLOOR = 0.005
"""Added to errors before the logarithm: half a per cent is as good as none (choice)."""

RIDGE, FOLDS = 5.0, 5
"""Penalty of a weight of 1 on features of unit spread, in rows; how many parts each spine's rows are tried in."""


@dataclass(frozen=True)
class Sample:
    """One answer: question, features, true error (a fraction), and the spine it is of."""

    question: str
    features: Mapping[str, float]
    error: float
    case: str

    @property
    def right(self) -> bool:
        """Is the answer within its question's limit?"""
        return self.error <= LIMITS[self.question]


def samples(records: Iterable[Mapping[str, Any]]) -> list[Sample]:
    """One row for each answer of the records; a joint without a number answers nothing."""
    found: list[Sample] = []
    for record in records:
        # scans of one spine share their errors: they are kept together
        case = str(record["seed"])
        for level, own in record.get("levels", {}).items():
            seen = record["seen"].get(level)
            if not seen or not own:
                continue
            features = features_of(seen)
            found += [
                Sample(CANAL_AT_DISC if at == "canal at disc" else CANAL_AT_PEDICLE, features, abs(error), case)
                for at, error in own.get("canal", {}).items()
            ]
            if "ours" in own:
                found += _of_plan(own["ours"], own["true"], features, case)
    return found


def _of_plan(
    ours: Mapping[str, Any], true: Mapping[str, Any], features: Mapping[str, float], case: str
) -> list[Sample]:
    """Joints: the worst of both sides, kept by the sweep and by the resection. Bone: of either."""
    kept = [
        abs(ours[how][side] - true[how][side])
        for how in ("sweep facets", "resection facets")
        for side in ours[how].keys() & true[how].keys()
    ]
    taken = {how: abs(ours[f"{how} mm3"] / max(true[f"{how} mm3"], 1.0) - 1.0) for how in ("resection", "sweep")}
    of_plan = plan_features(features, ours["resection mm3"])
    found = [Sample(RESECTION, of_plan, taken["resection"], case), Sample(SWEEP, features, taken["sweep"], case)]
    return found + [Sample(FACET, features, worst, case) for worst in sorted(kept)[-1:]]


def fitted(rows: Sequence[Sample], question: str) -> QuestionModel:
    """The model of one question: least squares of the log error, weights with their signs, and the scatter about it."""
    own = [row for row in rows if row.question == question]
    names = NAMES[question]
    x = np.array([[row.features[name] for name in names] for row in own])
    middle, spread = x.mean(axis=0), np.maximum(x.std(axis=0), 1e-3)
    z, y = (x - middle) / spread, np.log(np.array([row.error for row in own]) + FLOOR)
    signs = np.array([SIGNS[name] for name in names])
    # the ridge as further rows, whose answer is no weight at all
    left = np.vstack([z, np.sqrt(RIDGE) * np.eye(len(names))])
    right = np.concatenate([y - y.mean(), np.zeros(len(names))])
    bounds = (np.where(signs > 0, 0.0, -np.inf), np.where(signs > 0, np.inf, 0.0))
    best = optimize.lsq_linear(left, right, bounds=bounds).x
    scatter = np.sqrt(((y - y.mean() - z @ best) ** 2).sum() / max(len(y) - len(names) - 1, 1))
    weights = best / spread
    kept = {name: round(float(w), 3) for name, w in zip(names, weights, strict=True) if abs(w) > 5e-4}
    start = float(y.mean() - (weights * middle).sum())
    return QuestionModel(question, LIMITS[question], round(start, 3), kept, round(float(scatter), 3), FLOOR)


def held_out(rows: Sequence[Sample], question: str) -> npt.NDArray[np.float64]:
    """(N,) probabilities of a question's rows, each by a model fitted without any scan of its spine."""
    own = [row for row in rows if row.question == question]
    fold = np.array([zlib.crc32(row.case.encode()) % FOLDS for row in own])
    models = [fitted([row for row, f in zip(own, fold, strict=True) if f != n], question) for n in range(FOLDS)]
    return np.array([models[f].probability(row.features) for row, f in zip(own, fold, strict=True)])


def reliability(probability: npt.NDArray[np.float64], right: npt.NDArray[np.bool_]) -> list[str]:
    """A line for each of ten bins: how many, mean probability stated, share right."""
    lines = []
    for low in np.arange(10) / 10:
        own = (probability >= low) & (probability < low + 0.1 + 1e-9 * (low > 0.85))
        if own.any():
            lines.append(
                f"  {low:.1f}-{low + 0.1:.1f}: {own.sum():4d} answers, stated {probability[own].mean():.3f}, "
                f"right {right[own].mean():.3f}"
            )
    return lines


def rank(probability: npt.NDArray[np.float64], error: npt.NDArray[np.float64]) -> float:
    """Spearman's correlation of how unsure an answer is with how far off it is."""
    return float(stats.spearmanr(1.0 - probability, error).statistic) if len(error) > 2 else float("nan")


def tell(question: str, rows: Sequence[Sample], stated: npt.NDArray[np.float64]) -> None:
    """Prints a question's share right, Brier score against that of the base rate, rank, and ten bins."""
    own = [row for row in rows if row.question == question]
    right, error = np.array([row.right for row in own]), np.array([row.error for row in own])
    brier, base = ((stated - right) ** 2).mean(), right.mean() * (1 - right.mean())
    print(
        f"{question}: {len(own)} answers of {len({row.case for row in own})} spines, {right.mean():.2f} right, "
        f"Brier {brier:.3f} (base {base:.3f}), Spearman with the error {rank(stated, error):.2f}"
    )
    print(*reliability(stated, right), sep="\n")
