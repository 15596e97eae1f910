"""How likely each piece of evidence is for each sort of vertebra: the one table that names are reckoned from.

A row is a record with its source and evidence class. Where no publication gives a number (how a segmentation answers is
its own matter) the row is a choice, held against made-up and real scans by `scripts/name_trials.py`. No single
piece may decide: every row keeps a floor for what segmentation gets wrong.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from math import erfc
from typing import Literal

import numpy as np

from canalwise.recon.evidence import EvidenceClass

Sort = Literal["sacral", "transitional", "last", "lumbar", "first", "lumbar rib", "short rib", "long rib"]
"""Sorts of vertebra: of the sacrum, half grown into it, the last free one, any other lumbar one, the first lumbar one,
a first lumbar one with a rib of its own, one with a short twelfth rib, one with a long rib."""

TRIAL = "choice, held against scripts/name_trials.py"


@dataclass(frozen=True)
class BinnedLikelihood:
    """Probability of a value's bin, by sort of vertebra.

    Parameters
    ----------
    quantity, unit : what is seen
    edges : between the bins
    by_sort : one probability a bin; each row sums to 1
    source, evidence : where the numbers come from, READ, CALC, MEM or PRACTICE
    """

    quantity: str
    unit: str
    edges: tuple[float, ...]
    by_sort: Mapping[Sort, tuple[float, ...]]
    source: str = TRIAL
    evidence: EvidenceClass = "PRACTICE"

    def of(self, value: float, sort: Sort) -> float:
        """Likelihood of a value.

        >>> round(SACRAL.of(0.9, "sacral") / SACRAL.of(0.9, "last"), 1)
        150.0
        """
        return self.by_sort[sort][bisect_right(self.edges, value)]


@dataclass(frozen=True)
class NormalLikelihood:
    """Density of a value that scatters normally about a mean, with a share of strays over a wide range.

    Parameters
    ----------
    mean, sd, unit : of the value
    stray_frac, stray_range, stray_from : share of strays, the width they spread over, and where that begins
    """

    quantity: str
    mean: float
    sd: float
    unit: str
    stray_frac: float
    stray_range: float
    source: str
    evidence: EvidenceClass
    stray_from: float = 0.0

    def of(self, value: float, at_least: bool = False) -> float:
        """Density at a value; the probability of one at least as great where more is not known.

        >>> bend = BENDS["S1"]
        >>> bend.of(22.0) > 20 * bend.of(-10.0)
        True
        >>> round(RIBS["short rib"].of(80.0) / RIBS["lumbar"].of(80.0)), round(RIBS["long rib"].of(0.0, True), 2)
        (84, 1.0)
        """
        if at_least:
            beyond = 0.5 * erfc((value - self.mean) / self.sd / np.sqrt(2.0))
            stray = np.clip((self.stray_from + self.stray_range - value) / self.stray_range, 0.0, 1.0)
            return float((1 - self.stray_frac) * beyond + self.stray_frac * stray)
        peak = np.exp(-0.5 * ((value - self.mean) / self.sd) ** 2) / (self.sd * np.sqrt(2 * np.pi))
        return float((1 - self.stray_frac) * peak + self.stray_frac / self.stray_range)


SACRAL = BinnedLikelihood(
    "share of a vertebra taken for sacrum",
    "fraction",
    (0.05, 0.3, 0.75),
    {
        "sacral": (0.02, 0.03, 0.05, 0.90),
        "transitional": (0.35, 0.25, 0.20, 0.20),
        "last": (0.92, 0.05, 0.024, 0.006),
        "lumbar": (0.97, 0.02, 0.007, 0.003),
        "first": (0.97, 0.02, 0.007, 0.003),
        "lumbar rib": (0.97, 0.02, 0.007, 0.003),
        "short rib": (0.97, 0.02, 0.007, 0.003),
        "long rib": (0.97, 0.02, 0.007, 0.003),
    },
    "choice; of 425 first sacral vertebrae in trials 98 % had over 0.75, of 474 last lumbar ones 2 % over 0.3, none "
    "over 0.66 (name_trials.py)",
)

FLANK = BinnedLikelihood(
    "bone beside the body, lesser side",
    "fraction",
    (0.12, 0.2, 0.35, 0.5, 0.75),
    {
        "sacral": (0.02, 0.03, 0.12, 0.28, 0.35, 0.20),
        "transitional": (0.15, 0.10, 0.15, 0.20, 0.25, 0.15),
        "last": (0.64, 0.16, 0.11, 0.05, 0.025, 0.015),
        "lumbar": (0.92, 0.03, 0.02, 0.01, 0.01, 0.01),
        "first": (0.92, 0.03, 0.02, 0.01, 0.01, 0.01),
        "lumbar rib": (0.90, 0.04, 0.03, 0.01, 0.01, 0.01),
        "short rib": (0.86, 0.07, 0.04, 0.01, 0.01, 0.01),
        "long rib": (0.86, 0.07, 0.04, 0.01, 0.01, 0.01),
    },
    "choice between trials: 0.95 at S1 and 0.09 at L5 of the real CT, 0.37 to 0.76 and 0.01 to 0.06 on seven made-up "
    "spines (name_trials.py)",
)

LOPSIDED = BinnedLikelihood(
    "bone beside the body, greater less lesser side",
    "fraction",
    (0.4,),
    {
        "sacral": (0.90, 0.10),
        "transitional": (0.6, 0.4),
        "last": (0.97, 0.03),
        "lumbar": (0.99, 0.01),
        "first": (0.99, 0.01),
        "lumbar rib": (0.99, 0.01),
        "short rib": (0.99, 0.01),
        "long rib": (0.99, 0.01),
    },
)

RIB_REACHES: tuple[tuple[Sort, float, float], ...] = (
    ("sacral", 50.0, 12.0),
    ("transitional", 50.0, 8.0),
    ("last", 46.0, 6.0),
    ("lumbar", 44.0, 6.0),
    ("first", 39.0, 6.5),
    ("lumbar rib", 62.0, 14.0),
    ("short rib", 85.0, 18.0),
    ("long rib", 125.0, 18.0),
)
"""Sort, mean and standard deviation of a strut's reach, mm (choices, held against scripts/name_trials.py: in the median
52 and 44 at S1, made-up and real, 44 and 48 at L5, 36 and 36 at L1)."""

RIBS: Mapping[Sort, NormalLikelihood] = {
    sort: NormalLikelihood(f"reach of the longer strut, {sort}", mean, sd, "mm", 0.03, 120.0, TRIAL, "PRACTICE", 30.0)
    for sort, mean, sd in RIB_REACHES
}
"""How far the longer strut beside a vertebra reaches from the midline. Twelfth ribs vary most, and overlap both the
eleventh and a lumbar rib: a border between them would make a step of a millimetre decide."""

ENDS_MM = 20.0
"""The column ends in view where the scan goes on this far below it (choice)."""

ENDS: Mapping[Sort, float] = {"sacral": 0.90, "transitional": 0.10}
"""How likely the lowest vertebra found is the last although the scan goes on: a sacrum's own end; other sorts only
where the next one was missed (choice, as the table above)."""

ENDS_OTHERWISE = 0.06

LORDOSIS = "supine lordosis by segment, from memory of the radiographic literature; verify"
BENDS: Mapping[str, NormalLikelihood] = {
    place: NormalLikelihood(f"bend at the disc above {place}", mean, sd, "deg", 0.10, 80.0, LORDOSIS, "MEM")
    for place, mean, sd in (
        ("S1", 22.0, 8.0),
        ("L5", 14.0, 7.0),
        ("L4", 9.0, 6.0),
        ("L3", 6.0, 6.0),
        ("L2", 4.0, 6.0),
        ("L1", 2.0, 6.0),
        ("T", 0.0, 6.0),
    )
}
"""By how much the disc above a vertebra is steeper than the next one."""

CREST = NormalLikelihood(
    "iliac crests' top, vertebrae above the middle of L4",
    -0.2,
    0.55,
    "vertebrae",
    0.08,
    8.0,
    "the intercristal line crosses L4 or the L4-L5 disc in most, from L3-L4 to L5; verify",
    "MEM",
)
