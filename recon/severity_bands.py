"""Published thresholds, the severity band a value falls into, and norms that depend on vertebra or level.

The thresholds of each measured quantity stand in its row of `recon.measurement.kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from canalwise.recon.evidence import EvidenceClass


@dataclass(frozen=True)
class Threshold:
    """One published limit: what a value beyond it is called.

    Parameters
    ----------
    band : name of the band on the worse side of `value`
    value, unit : the limit
    source : authors, journal, year
    evidence : how well the limit is supported
    """

    band: str
    value: float
    unit: str
    source: str
    evidence: EvidenceClass


@dataclass(frozen=True)
class SeverityScale:
    """Thresholds of one quantity, worst first, and whether low or high values are worse.

    Parameters
    ----------
    quantity : that the thresholds are of
    worse : 'low' or 'high'
    thresholds : worst first
    otherwise : band of a value that none of them catches
    """

    quantity: str
    worse: Literal["low", "high"]
    thresholds: tuple[Threshold, ...]
    otherwise: str

    def band(self, value: float) -> str:
        """Name of the band of a value.

        >>> narrow = Threshold("narrow", 100.0, "mm2", "an example", "PRACTICE")
        >>> SeverityScale("area", "low", (narrow,), "normal").band(90.0)
        'narrow'
        """
        for limit in self.thresholds:
            if (value < limit.value) if self.worse == "low" else (value > limit.value):
                return limit.band
        return self.otherwise

    @property
    def source(self) -> str:
        """Every limit with its source and evidence class, in one line."""
        sign = "<" if self.worse == "low" else ">"
        return "; ".join(f"{t.band} {sign} {t.value:g} {t.unit}: {t.source} ({t.evidence})" for t in self.thresholds)


COHORT = "developmental stenosis cohort, n=2385, PMC9210236"

POPULATION_DIAMETER_MM = {"L1": 19.0, "L2": 19.0, "L3": 18.0, "L4": 18.0, "L5": 18.0, "S1": 16.0}
"""Mid-sagittal diameter below which a canal is narrow for the population (COHORT, READ, MR at the vertebra)."""

FLAVUM_THICKNESS_MM = {"L2-L3": 3.19, "L3-L4": 3.38, "L4-L5": 3.71, "L5-S1": 3.64}
"""Normal ligament thickness (Khasawneh, Abu El-Rub, Allouh, Folia Morphol 2023;82:72-78, n=350 MR, READ)."""

UNLISTED_FLAVUM_MM = 3.19
"""Thickness taken at levels the source does not list: that of L2-L3; common practice, no source."""


def population_scale(vertebra: str) -> SeverityScale | None:
    """The scale of a canal narrow for the population at one vertebra; None where none is published.

    >>> population_scale("L3").band(17.0)
    'narrow for the population'
    """
    limit = POPULATION_DIAMETER_MM.get(vertebra)
    if limit is None:
        return None
    narrow = Threshold("narrow for the population", limit, "mm", COHORT, "READ")
    return SeverityScale("canal mid-sagittal diameter, population", "low", (narrow,), "not narrow for the population")


def flavum_thickness_mm(level: str) -> Threshold:
    """The normal ligament thickness of a level, with its source.

    >>> flavum_thickness_mm("L4-L5").value
    3.71
    """
    name = "normal thickness"
    if level in FLAVUM_THICKNESS_MM:
        return Threshold(name, FLAVUM_THICKNESS_MM[level], "mm", "Khasawneh et al., Folia Morphol 2023", "READ")
    return Threshold(name, UNLISTED_FLAVUM_MM, "mm", "value of L2-L3 taken; no source for this level", "PRACTICE")
