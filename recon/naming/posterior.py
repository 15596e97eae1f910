"""The probability of every name a vertebra can have, over all countings of its column.

Bayes' rule with the evidence of `recon.naming.cues`, the likelihoods of `recon.naming.likelihoods` and the countings of
`recon.naming.countings`. Pieces of evidence share causes (one network, one column), so their joint log likelihood is
shrunk by a factor; and there is always the chance that the column itself was miscounted, greater where its vertebrae
are unevenly spaced: then no counting is right. Names are the most likely counting's, stated with
their probability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import logsumexp

from canalwise.recon.naming.column_cues import ColumnCues, VertebraCues
from canalwise.recon.naming.countings import SILENT, Counting, Element, countings
from canalwise.recon.naming.likelihoods import (
    BENDS,
    CREST,
    ENDS,
    ENDS_MM,
    ENDS_OTHERWISE,
    FLANK,
    LOPSIDED,
    RIBS,
    SACRAL,
)
from canalwise.recon.severity_bands import Threshold

TEMPER = 0.9
"""Power that the joint likelihood is raised to, for pieces of evidence that share causes (choice)."""

CONFIRMED = Threshold("names counted", 0.95, "probability", "the project's agreement", "PRACTICE")
"""Names less probable than this are to be given by a person."""

SILENT_MOST = Threshold(
    "anatomies that only both ends tell, at most",
    0.10,
    "probability",
    "choice: before any evidence they come to 0.07",
    "PRACTICE",
)
"""Where the evidence speaks for one of them by more, names are not given under the condition that there is none."""

MISCOUNTED = ((1.35, 0.005), (1.5, 0.05), (np.inf, 0.5))
"""(greatest uneven spacing, chance that a vertebra was missed or one too many found): a vertebra left out doubles a
distance (choice)."""


@dataclass(frozen=True)
class NamesPosterior:
    """Countings with their probabilities, the most probable first; they lack 1 by the chance of a miscount."""

    countings: tuple[tuple[Counting, float], ...]

    @property
    def best(self) -> tuple[str, ...]:
        """The most probable names, caudal to cranial, whatever the anatomy."""
        return self.ranked()[0][0]

    def ranked(self) -> list[tuple[tuple[str, ...], float]]:
        """Names, caudal to cranial, with their probability over all anatomies; the most probable first."""
        total: dict[tuple[str, ...], float] = {}
        for counting, probability in self.countings:
            total[counting.names] = total.get(counting.names, 0.0) + probability
        return sorted(total.items(), key=lambda each: (-each[1], each[0]))

    def probability(self, named: dict[int, str]) -> float:
        """Probability that the vertebrae of these numbers have these names."""
        return float(
            sum(
                p
                for counting, p in self.countings
                if all(counting.elements[n - 1].name == name for n, name in named.items())
            )
        )

    def usual_probability(self, named: dict[int, str]) -> float:
        """The same, provided that the anatomy is none of those which only both ends of the lumbar spine tell.

        `SILENT` anatomies are taken as not there, so that what remains open is what a scan of one end could show.
        """
        kept = [(counting, p) for counting, p in self.countings if counting.anatomy not in SILENT]
        right = sum(
            p for counting, p in kept if all(counting.elements[n - 1].name == name for n, name in named.items())
        )
        return float(right / (1.0 - self.silent_probability))

    @property
    def silent_probability(self) -> float:
        """Probability of an anatomy that shows no sign at one of its ends."""
        return float(sum(p for counting, p in self.countings if counting.anatomy in SILENT))

    def anatomy_probability(self) -> dict[str, float]:
        """Probability of each anatomy."""
        total: dict[str, float] = {}
        for counting, probability in self.countings:
            total[counting.anatomy] = total.get(counting.anatomy, 0.0) + probability
        return total


def names_posterior(cues: ColumnCues) -> NamesPosterior:
    """The probabilities of all countings of a column.

    >>> from canalwise.recon.naming.column_cues import RibReach
    >>> free, ribbed = RibReach(44.0, 46.0), RibReach(84.0, 86.0)
    >>> sacrum = VertebraCues(1, 0.9, (0.9, 0.92), 25.0)
    >>> lumbar = [VertebraCues(n, 0.0, (0.05, 0.1), None, free) for n in range(2, 7)]
    >>> column = ColumnCues((sacrum, *lumbar, VertebraCues(7, 0.0, (0.0, 0.0), None, ribbed)))
    >>> names_posterior(column).best
    ('S1', 'L5', 'L4', 'L3', 'L2', 'L1', 'T12')
    """
    every = list(countings(len(cues.vertebrae)))
    logs = np.array([TEMPER * _log_likelihood(one.elements, cues) for one in every])
    priors = np.log([one.prior for one in every])
    missed = miscounted(cues.spacing_frac)
    each = logs + priors - logsumexp(priors)
    # Sacrum and ribs look the same beside a vertebra that was missed: the evidence does not tell a miscount.
    joint = np.append(each + np.log1p(-missed), logsumexp(each) + np.log(missed))
    share = np.exp(joint - logsumexp(joint))[:-1]
    order = np.argsort(-share, kind="stable")
    return NamesPosterior(tuple((every[n], float(share[n])) for n in order))


def miscounted(spacing_frac: Sequence[float]) -> float:
    """Chance that a vertebra of the column was missed, or one too many found.

    >>> miscounted((1.0, 0.95, 1.1)), miscounted((1.0, 2.0))
    (0.005, 0.5)
    """
    worst = max((max(frac, 1.0 / frac) for frac in spacing_frac), default=1.0)
    return next(chance for limit, chance in MISCOUNTED if worst <= limit)


def _log_likelihood(elements: Sequence[Element], cues: ColumnCues) -> float:
    """Log likelihood of all evidence where the vertebrae are these elements."""
    total = sum(
        float(np.log(value))
        for element, own in zip(elements, cues.vertebrae, strict=True)
        for value in vertebra_likelihoods(element, own).values()
    )
    if cues.below_mm >= ENDS_MM:
        total += float(np.log(ENDS.get(elements[0].sort, ENDS_OTHERWISE)))
    if cues.crest_number is not None:
        total += float(np.log(crest_likelihood(elements, cues.crest_number)))
    return total


def vertebra_likelihoods(element: Element, own: VertebraCues) -> dict[str, float]:
    """Name of each piece of evidence that is there -> its likelihood for an element."""
    found: dict[str, float] = {}
    if own.sacral_frac is not None:
        found["sacrum"] = SACRAL.of(own.sacral_frac, element.sort)
    if own.flank_frac is not None:
        low, high = own.flank_frac
        found["flank"] = FLANK.of(low, element.sort) * LOPSIDED.of(high - low, element.sort)
    if own.bend_deg is not None:
        found["bend"] = 1 / 80.0 if element.place not in BENDS else BENDS[element.place].of(own.bend_deg)
    reach = own.rib.greater_mm
    if reach is not None:
        found["rib"] = RIBS[element.sort].of(reach, at_least=own.rib.runs_out)
    return found


def crest_likelihood(elements: Sequence[Element], crest_number: float) -> float:
    """Density of the crests' height: the vertebra that stands for L4 lies there, in view or beyond."""
    places = ["S2", "S1", "L5", "L4", "L3", "L2", "L1"]
    anchors = [
        n - places.index(e.place) + places.index("L4") for n, e in enumerate(elements, start=1) if e.place in places
    ]
    # Without any lumbar or sacral element the crests lie far below the column.
    return CREST.of(crest_number - anchors[0]) if anchors else CREST.of(CREST.stray_range)


def pair_probabilities(posterior: NamesPosterior, by_number: dict[int, str], usual: bool = False) -> dict[str, float]:
    """Name of each motion segment -> probability that both its vertebrae are named rightly.

    `usual` : provided that the anatomy is none that only both ends of the lumbar spine tell
    """
    named = sorted(by_number.items())
    answer = posterior.usual_probability if usual else posterior.probability
    return {f"{upper[1]}-{lower[1]}": answer(dict((lower, upper))) for lower, upper in pairwise(named)}


def least_probability(posterior: NamesPosterior, by_number: dict[int, str], usual: bool = False) -> float:
    """The least probability of any motion segment's names; of all names where there is no segment."""
    answer = posterior.usual_probability if usual else posterior.probability
    return min(pair_probabilities(posterior, by_number, usual).values(), default=answer(by_number))
