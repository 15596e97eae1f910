"""Fits and checks the probabilities of `canalwise.recon.questions` on records of `confidence_records.py`.

A record holds what the image showed of each level and how far off the answers were. `samples` turns records into one
row an answer; `fitted` is logistic regression with a ridge and with signs that must hold; `reliability` and `rank` say
how good probabilities are: ten bins, and Spearman's correlation of 1 - probability with the true error.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from canalwise.recon.questions import CANAL, FACET, REMOVAL, QuestionModel, features_of

LIMITS = {CANAL: 0.10, FACET: 0.10, REMOVAL: 0.25}
"""Question -> error up to which the answer counts as right."""

SIGNS = {
    "log voxel mm": -1,
    "canal's contrast": 1,
    "arch's contrast": 1,
    "cut off": -1,
    "missing": -1,
    "gap darker": 1,
    "gap over voxel": 1,
    "joints": 1,
    "windows": 1,
    "alike": 1,
    "out of range": -1,
}
"""Feature -> sign its weight must have."""

OF_CANAL = ("log voxel mm", "canal's contrast", "cut off", "missing", "windows", "out of range")
"""The canal's answer does not hang on joints."""

RIDGE = 1.0
"""Penalty of a weight of 1 on features of unit spread."""


@dataclass(frozen=True)
class Sample:
    """One answer: question, features, true error (a fraction), and the case it is of."""

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
        case = f"{record.get('seed', '')} {record['name']}"
        seen = record.get("seen") or record.get("features") or {}
        for level, areas in (record.get("areas") or {}).get("by_level", {}).items():
            if seen.get(level):
                found += [Sample(CANAL, features_of(seen[level]), abs(error), case) for error in areas.values()]
        effect, own = record.get("effect") or {}, seen.get(record.get("level", ""))
        if not own:
            continue
        features = features_of(own)
        kept = [
            abs(effect[f"{word} facet area kept"])
            for word in ("ipsilateral", "contralateral")
            if f"{word} facet area kept" in effect
        ]
        if kept:
            found.append(Sample(FACET, features, max(kept), case))
        if "task bone removed %" in effect:
            found.append(Sample(REMOVAL, features, abs(effect["task bone removed %"]) / 100.0, case))
    return found


def fitted(rows: Sequence[Sample], question: str) -> QuestionModel:
    """The model of one question."""
    own = [row for row in rows if row.question == question]
    names = OF_CANAL if question == CANAL else tuple(SIGNS)
    x = np.array([[row.features[name] for name in names] for row in own])
    y = np.array([row.right for row in own], dtype=float)
    middle, spread = x.mean(axis=0), np.maximum(x.std(axis=0), 1e-3)
    z = (x - middle) / spread

    def loss(w: npt.NDArray[np.float64]) -> float:
        odds = w[0] + z @ w[1:]
        return float(np.logaddexp(0.0, np.where(y > 0, -odds, odds)).sum() + RIDGE * (w[1:] ** 2).sum())

    bounds = [(None, None), *((0.0, None) if SIGNS[name] > 0 else (None, 0.0) for name in names)]
    best = optimize.minimize(loss, np.zeros(len(names) + 1), method="L-BFGS-B", bounds=bounds).x
    weights = best[1:] / spread
    kept = {name: round(float(w), 3) for name, w in zip(names, weights, strict=True) if abs(w) > 5e-4}
    return QuestionModel(question, round(float(best[0] - (weights * middle).sum()), 3), kept)


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


def tell(models: Sequence[QuestionModel], rows: Sequence[Sample]) -> None:
    """Prints, a question: right on the whole, Brier score against that of the base rate, rank, ten bins."""
    for model in models:
        own = [row for row in rows if row.question == model.question]
        if not own:
            continue
        stated = np.array([model.probability(row.features) for row in own])
        right, error = np.array([row.right for row in own]), np.array([row.error for row in own])
        brier, base = ((stated - right) ** 2).mean(), right.mean() * (1 - right.mean())
        print(
            f"{model.question}: {len(own)} answers, {right.mean():.2f} right, Brier {brier:.3f} (base {base:.3f}), "
            f"Spearman with the error {rank(stated, error):.2f}"
        )
        print(*reliability(stated, right), sep="\n")
