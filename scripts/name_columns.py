"""The names' probability on made-up columns: how often it is right, ten bins, and how often names are to be confirmed.

No image is made: each column is an anatomy drawn at its published share, seen through a random window, and the evidence
a scan would give of it is drawn from continuous distributions of their own (normal reaches, angles and shares, each
with outright failures), not from the table of likelihoods that is on trial. `scripts/name_trials.py` tries the whole on
images; this shows whether the reckoning holds over thousands of columns and what failures of single cues do.

    python scripts/name_columns.py --columns 5000 --seed 1
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from canalwise.recon.naming.column_cues import UNSEEN_RIBS, ColumnCues, RibReach, VertebraCues
from canalwise.recon.naming.countings import ANATOMIES, Element
from canalwise.recon.naming.posterior import CONFIRMED, SILENT_MOST, least_probability, names_posterior

BEND_DEG = {"S1": 22.0, "L5": 14.0, "L4": 9.0, "L3": 6.0, "L2": 4.0, "L1": 2.0}
HALF_SPAN_MM = {"L1": 36.0, "L2": 38.0, "L3": 43.0, "L4": 40.0, "L5": 46.0}
"""Half the span of the transverse processes (docs/published-values.md#vertebrae)."""

FAILS = 0.03
"""Share of each cue that is read wrongly, to any value."""

MISSED = 0.01
"""Share of columns in which a vertebra is missed."""


@dataclass(frozen=True)
class MadeUp:
    """A column's evidence, its true names (caudal to cranial), and what of it is in view."""

    cues: ColumnCues
    names: tuple[str, ...]
    sacrum: bool
    ribs: bool
    usual: bool


def made_up(rng: np.random.Generator) -> MadeUp:
    """One column."""
    anatomy = ANATOMIES[rng.choice(len(ANATOMIES), p=[each.frac for each in ANATOMIES])]
    count = int(rng.integers(2, 10))
    # from the first sacral vertebra up to L1, each as likely: a scan given to this tool shows lumbar vertebrae
    top = next(n for n, e in enumerate(anatomy.elements) if e.place == "T")
    start = int(rng.integers(1, top))
    elements = list(anatomy.elements[start : start + count])
    spacing = rng.normal(1.0, 0.06, max(len(elements) - 1, 0))
    if rng.random() < MISSED and len(elements) > 3:
        gone = int(rng.integers(1, len(elements) - 1))
        del elements[gone]
        spacing = np.delete(spacing, gone)
        spacing[gone - 1] += 1.0
    half_view_mm = float(rng.choice([50.0, 75.0, 95.0, 112.0]))
    lordosis = rng.normal(1.0, 0.25)
    seen = tuple(
        _vertebra(n, e, rng, lordosis, half_view_mm if 1 < n < len(elements) or rng.random() < 0.6 else 0.0)
        for n, e in enumerate(elements, start=1)
    )
    below_mm = 40.0 if elements[0].sort == "sacral" and rng.random() < 0.4 else 0.0
    crest = _crest(elements, rng) if half_view_mm > 90 else None
    # wholly in view: the flanks of S1, or the tips of T12's ribs and the flanks of the vertebra below
    sacrum = elements[0].sort == "sacral" and seen[0].flank_frac is not None
    ribs = any(
        e.name == "T12" and c.rib.greater_mm is not None and not c.rib.runs_out and below.rib.greater_mm is not None
        for below, e, c in zip(seen, elements[1:], seen[1:], strict=False)
    )
    return MadeUp(
        ColumnCues(seen, crest, below_mm, tuple(spacing.tolist())),
        tuple(e.name for e in elements),
        sacrum,
        ribs,
        anatomy is ANATOMIES[0],
    )


def _vertebra(
    number: int, element: Element, rng: np.random.Generator, lordosis: float, half_view_mm: float
) -> VertebraCues:
    sort = element.sort
    share = {"sacral": rng.beta(9, 1.2), "transitional": rng.uniform(0.0, 0.7)}.get(sort, 0.0)
    flank = {
        "sacral": rng.normal(0.65, 0.17),
        "transitional": rng.uniform(0.1, 0.9),
        "last": abs(rng.normal(0.06, 0.08)),
    }.get(sort, abs(rng.normal(0.03, 0.04)))
    other = flank + abs(rng.normal(0.0, 0.05)) + (rng.uniform(0.0, 0.6) if sort == "transitional" else 0.0)
    if rng.random() < FAILS:
        share = rng.uniform()
    if rng.random() < FAILS:
        flank = other = rng.uniform()
    bend = lordosis * BEND_DEG.get(element.place, 0.0) + rng.normal(0.0, 5.0)
    bend = rng.uniform(-30.0, 40.0) if rng.random() < FAILS else bend
    low, high = sorted(np.clip([flank, other], 0.0, 1.0).tolist())
    return VertebraCues(
        number,
        float(share),
        (low, high) if half_view_mm >= 45 else None,
        float(bend) if rng.random() < 0.8 else None,
        _rib(element, rng, half_view_mm),
    )


def _rib(element: Element, rng: np.random.Generator, half_view_mm: float) -> RibReach:
    if half_view_mm < 60.0:
        return UNSEEN_RIBS
    reach = {
        "short rib": rng.normal(84.0, 12.0),
        "long rib": rng.normal(125.0, 15.0),
        "lumbar rib": rng.normal(60.0, 12.0),
    }.get(element.sort, max(rng.normal(HALF_SPAN_MM.get(element.place, 46.0), 5.0), 32.0))
    if rng.random() < FAILS:
        reach = rng.uniform(34.0, 105.0)
    return RibReach(float(min(reach, half_view_mm)), float(min(reach - 2.0, half_view_mm)), reach > half_view_mm)


def _crest(elements: Sequence[Element], rng: np.random.Generator) -> float | None:
    at = next((n for n, e in enumerate(elements, start=1) if e.place == "L4"), None)
    if at is None:
        return None
    crest = at + rng.normal(-0.2, 0.5)
    return float(crest) if 1 <= crest <= len(elements) else None


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--columns", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    rows = []
    for _ in range(args.columns):
        column = made_up(rng)
        posterior = names_posterior(column.cues)
        named, probability = posterior.ranked()[0]
        by_number = {n: name for n, name in enumerate(named, start=1) if name}
        free = posterior.silent_probability <= SILENT_MOST.value
        stated = free and least_probability(posterior, by_number, usual=True) >= CONFIRMED.value
        rows.append(
            (probability, named == column.names, column.sacrum or column.ribs, column.usual, stated, column.sacrum)
        )
    reported, right, clear, usual, conditional, sacrum = (np.array(values) for values in zip(*rows, strict=True))
    sure = reported >= CONFIRMED.value
    conditional &= ~sure
    print(
        f"named under a condition {conditional.sum()}, of these wrong on usual anatomy "
        f"{(conditional & usual & ~right).sum()}, on another {(conditional & ~usual & ~right).sum()}"
    )
    print(f"sacrum or ribs in view, usual anatomy: asked {(clear & usual & ~sure & ~conditional).sum()} after that")
    unsure = clear & usual & ~sure & ~conditional
    for which, own in (("sacrum in view", clear & usual & sacrum), ("ribs only", clear & usual & ~sacrum)):
        print(f"  {which}: asked {(unsure & own).sum()} of {own.sum()}")
    print(
        f"columns {len(reported)}, confirmed {sure.sum()}, of these wrong {(sure & ~right).sum()} "
        f"(usual anatomy: {(sure & ~right & usual).sum()} of {(sure & usual).sum()})"
    )
    print(f"sacrum or ribs in view, usual anatomy: {(clear & usual).sum()}, unsure {(clear & usual & ~sure).sum()}")
    for low in np.arange(10) / 10:
        own = (reported >= low) & (reported < low + 0.1 + (low > 0.85))
        if own.any():
            print(
                f"{low:.1f}-{low + 0.1:.1f}: {own.sum():5d} columns, reported {reported[own].mean():.3f}, "
                f"right {right[own].mean():.3f}"
            )


if __name__ == "__main__":
    main()
