"""Published thresholds of every measured quantity, and the band a value falls into.

Canal mid-sagittal diameter has two scales that answer different questions and are never merged: absolute
narrowing (Verbiest) and narrow for the population (developmental cohort); see docs/published-values.md#conflicts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Evidence = Literal["READ", "MEM", "CALC", "none"]


@dataclass(frozen=True)
class Threshold:
    """One published limit: what a value beyond it is called.

    Parameters
    ----------
    band : name of the band on the worse side of `value`
    value, unit : the limit
    source : authors, journal, year
    evidence : READ (seen in an abstract or standard), MEM (from memory), CALC, none (common practice)
    """

    band: str
    value: float
    unit: str
    source: str
    evidence: Evidence


@dataclass(frozen=True)
class SeverityScale:
    """Thresholds of one quantity, worst first, and which way is worse.

    Parameters
    ----------
    quantity : key of SCALES
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

        >>> SCALES["dural sac area"].band(90.0)
        'central stenosis'
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


VERBIEST = "Verbiest, Orthop Clin N Am 1975, as credited by a secondary page"
SCHONSTROM = "Schonstrom, Bolender, Spengler, Spine 1985"
BOLENDER = "Bolender, Schonstrom, Spengler, J Bone Joint Surg Am 1985"
STEURER = "Steurer et al., BMC Musculoskelet Disord 2011"
CIRIC = "Ciric et al., J Neurosurg 1980"
HASEGAWA = "Hasegawa et al., J Bone Joint Surg Am 1995"
COHORT = "developmental stenosis cohort, n=2385, PMC9210236"
MAEDER = "Maeder et al., Diagnostics 2023, mean less 2 SD"
MEYERDING = "Meyerding 1932"

_SCALES = (
    SeverityScale(
        "canal mid-sagittal diameter",
        "low",
        (
            Threshold("absolute stenosis", 10.0, "mm", VERBIEST, "READ"),
            Threshold("relative stenosis", 12.0, "mm", VERBIEST, "READ"),
            Threshold("between relative stenosis and normal", 13.0, "mm", VERBIEST, "READ"),
        ),
        "normal",
    ),
    SeverityScale(
        "canal area at disc", "low", (Threshold("stenosis", 70.0, "mm2", STEURER, "READ"),), "not below the criterion"
    ),
    SeverityScale(
        "canal area at pedicle",
        "low",
        (Threshold("developmentally narrow", 160.0, "mm2", MAEDER, "READ"),),
        "not narrow",
    ),
    SeverityScale(
        "dural sac area",
        "low",
        (
            Threshold("severe stenosis", 75.0, "mm2", SCHONSTROM, "MEM"),
            Threshold("central stenosis", 100.0, "mm2", BOLENDER, "READ"),
            Threshold("early stenosis", 130.0, "mm2", BOLENDER, "READ"),
        ),
        "normal",
    ),
    SeverityScale(
        "lateral recess height",
        "low",
        (
            Threshold("recess stenosis", 2.0, "mm", CIRIC, "MEM"),
            Threshold("recess stenosis likely", 3.0, "mm", CIRIC, "MEM"),
            Threshold("narrow recess", 5.0, "mm", CIRIC, "MEM"),
        ),
        "normal",
    ),
    SeverityScale("foramen height", "low", (Threshold("critical", 15.0, "mm", HASEGAWA, "READ"),), "not critical"),
    SeverityScale(
        "posterior disc height", "low", (Threshold("critical", 4.0, "mm", HASEGAWA, "READ"),), "not critical"
    ),
    SeverityScale(
        "ligamentum flavum thickness",
        "high",
        (Threshold("hypertrophy", 4.0, "mm", "common use, no source", "MEM"),),
        "normal",
    ),
    SeverityScale(
        "facet tropism", "high", (Threshold("tropism", 7.0, "deg", "Medicine 2019, PMC6783151", "READ"),), "symmetric"
    ),
    SeverityScale(
        "slip",
        "high",
        (
            Threshold("grade V", 100.0, "%", MEYERDING, "MEM"),
            Threshold("grade IV", 75.0, "%", MEYERDING, "MEM"),
            Threshold("grade III", 50.0, "%", MEYERDING, "MEM"),
            Threshold("grade II", 25.0, "%", MEYERDING, "MEM"),
            Threshold("grade I", 5.0, "%", "less is measuring error; common practice, no source", "none"),
        ),
        "no slip",
    ),
    SeverityScale(
        "pars width", "low", (Threshold("thin", 5.0, "mm", "common practice, no source", "none"),), "not thin"
    ),
)
SCALES = {scale.quantity: scale for scale in _SCALES}
"""Quantity -> scale, absolute thresholds."""

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
    return Threshold(name, UNLISTED_FLAVUM_MM, "mm", "value of L2-L3 taken; no source for this level", "none")
