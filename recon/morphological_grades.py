"""Published grades of a narrow sac by its fluid and rootlets, as probabilities: a reader confirms, always.

Grades A to D (Schizas et al., Spine 2010;35:1919): A fluid is clearly seen; B rootlets fill the sac but can be told
apart; C they can no longer be told apart, fat lies behind; D as C without fat behind. Grades 0 to 3 (Lee et al.,
definitions in PMC9971835) by how far the cauda equina is held together: 0 not, 1 little, 2 in part, 3 as one bundle.
Readers agree with themselves with a kappa of 0.65 and with each other of 0.44 (Schizas), so no computed grade is sure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from canalwise.recon.anatomy import Measurement
from canalwise.recon.severity_bands import Threshold

FLUID, SPREAD, FAT = "fluid in the sac", "spread of brightness in the sac", "brightness behind the sac"
"""Quantities that the grades are computed from, percent of fluid's brightness or of the section."""

CHOICE = "choice, held against drawn examples of the definitions (tests/recon/test_morphological_grades.py)"

CLEAR_FLUID = Threshold("fluid clearly seen (A)", 25.0, "%", CHOICE, "PRACTICE")
MUCH_FLUID = Threshold("cauda equina not held together (0)", 50.0, "%", CHOICE, "PRACTICE")
TOLD_APART = Threshold("rootlets can be told apart (B)", 25.0, "%", CHOICE, "PRACTICE")
FAT_SEEN = Threshold("fat behind the sac (C, not D)", 20.0, "%", CHOICE, "PRACTICE")
BLUR = Threshold("deviation of each of these", 8.0, "%", CHOICE, "PRACTICE")

READERS_DIFFER = Threshold(
    "share of readings that another reader puts one grade further",
    0.25,
    "fraction",
    "choice; kappa between readers 0.44, of one reader 0.65 (Schizas et al., Spine 2010)",
    "PRACTICE",
)

THRESHOLDS = (CLEAR_FLUID, MUCH_FLUID, TOLD_APART, FAT_SEEN, BLUR, READERS_DIFFER)

WITHHELD = "grades by fluid and rootlets withheld: the image shows no rootlets (pixels across the sac, weighting)"


def morphological_grades(measurements: Sequence[Measurement]) -> Mapping[str, float]:
    """Grade A to D and 0 to 3 -> probability; empty where fluid and rootlets were not read.

    >>> percent = lambda name, value: Measurement(name, value, "%", "dural sac", "")
    >>> seen = morphological_grades([percent(FLUID, 70.0), percent(SPREAD, 60.0), percent(FAT, 50.0)])
    >>> max("ABCD", key=seen.get), max("0123", key=seen.get)
    ('A', '0')
    """
    read = {m.name: m.value for m in measurements if m.name in (FLUID, SPREAD, FAT)}
    if len(read) < 3:
        return {}
    clear, much = (_over(read[FLUID], limit) for limit in (CLEAR_FLUID, MUCH_FLUID))
    apart, fat = _over(read[SPREAD], TOLD_APART), _over(read[FAT], FAT_SEEN)
    lost = (1.0 - clear) * (1.0 - apart)
    grainy = (1.0 - clear) * apart
    letters = _as_readers((clear, grainy, lost * fat, lost * (1.0 - fat)))
    numbers = _as_readers((clear * much, clear * (1.0 - much), grainy, lost))
    return {grade: round(share, 2) for grade, share in zip("ABCD0123", (*letters, *numbers), strict=True)}


def grades_sentence(grades: Mapping[str, float]) -> str:
    """Both scales with the probability of each grade that has any.

    >>> grades_sentence({"A": 0.9, "B": 0.1, "C": 0.0, "D": 0.0, "0": 0.2, "1": 0.7, "2": 0.1, "3": 0.0})
    'by fluid and rootlets A 0.90, B 0.10; 0 0.20, 1 0.70, 2 0.10 (computed: a reader confirms)'
    """
    if not grades:
        return WITHHELD
    scales = (", ".join(f"{g} {grades[g]:.2f}" for g in scale if grades[g] >= 0.01) for scale in ("ABCD", "0123"))
    return f"by fluid and rootlets {'; '.join(scales)} (computed: a reader confirms)"


def _as_readers(shares: Sequence[float]) -> list[float]:
    """Probabilities of ordered grades with READERS_DIFFER of each given to its neighbours.

    >>> _as_readers((1.0, 0.0, 0.0, 0.0)), _as_readers((0.0, 0.0, 1.0, 0.0))
    ([0.75, 0.25, 0.0, 0.0], [0.0, 0.125, 0.75, 0.125])
    """
    out = [(1.0 - READERS_DIFFER.value) * share for share in shares]
    for n, share in enumerate(shares):
        beside = [k for k in (n - 1, n + 1) if 0 <= k < len(shares)]
        for k in beside:
            out[k] += READERS_DIFFER.value * share / len(beside)
    return out


def _over(value: float, limit: Threshold) -> float:
    """Probability that a value lies over a limit, its error normal with BLUR."""
    return 0.5 * (1.0 + math.erf((value - limit.value) / (BLUR.value * math.sqrt(2.0))))
