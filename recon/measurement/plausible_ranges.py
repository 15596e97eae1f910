"""Wide ranges in which a lumbar level's measurements lie; a value outside hints at a wrong border, not at a disease.

The ranges are those of populations, healthy and stenotic, drawn wide (sources with each): a structure that
was cut wrongly falls out of them more often than a patient does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from canalwise.recon.anatomy import Measurement
from canalwise.recon.evidence import EvidenceClass


@dataclass(frozen=True)
class PlausibleRange:
    """One quantity's plausible range, and where it comes from."""

    quantity: str
    low: float
    high: float
    unit: str
    source: str
    evidence: EvidenceClass


EGYPTIAN = "Orthopedics 2013;36(2):e229, CT, n=300"
PANJABI = "Panjabi et al., Spine 1993;18:1298"

RANGES = (
    PlausibleRange("canal mid-sagittal diameter", 5.0, 28.0, "mm", f"{EGYPTIAN} (11-26), stenosis below", "READ"),
    PlausibleRange("interpedicular distance", 15.0, 45.0, "mm", f"{EGYPTIAN} (17-43)", "READ"),
    PlausibleRange("lateral recess height", 1.0, 14.0, "mm", f"{EGYPTIAN} (4-14), stenosis below", "READ"),
    PlausibleRange("foramen height", 6.0, 30.0, "mm", "teaching ranges of foraminal height, tertiary", "READ"),
    PlausibleRange("posterior disc height", 1.0, 14.0, "mm", "mean model of 87 patients (3.1-11.4), wide", "READ"),
    PlausibleRange("facet joint area", 72.3, 300.0, "mm2", f"{PANJABI} (72-212), degenerative joints above", "READ"),
    PlausibleRange(
        "facet angle from sagittal plane", 10.0, 80.0, "deg", "Britspine 2010 (35.9-49.4, SD 7.4-10.1)", "READ"
    ),
    PlausibleRange("facet tropism", 0.0, 20.0, "deg", "Asian Spine J 2018;12(5) (mean 4, SD 3)", "READ"),
    PlausibleRange(
        "lamina thickness", 2.0, 10.0, "mm", "Spine 1999;24(2):107 (1.9-5.0), both cortices and slope", "READ"
    ),
    PlausibleRange("lamina slope", 80.0, 170.0, "deg", "Spine 1999;24(2):107 (129, SD 7.5)", "READ"),
    PlausibleRange("spinous base width", 3.0, 15.0, "mm", "common practice, no source", "PRACTICE"),
    PlausibleRange("pars width", 3.0, 22.0, "mm", "common practice, no source", "PRACTICE"),
)
"""Quantities without a range are not judged."""


def implausible(measurements: Sequence[Measurement]) -> tuple[int, tuple[str, ...]]:
    """(how many measurements have a range, a phrase for each that lies outside its own).

    >>> implausible([Measurement("lamina thickness", 13.0, "mm", "left lamina of L3", "mid-lamina")])
    (1, ('lamina thickness of left lamina of L3 is 13.0 mm, outside 2 to 10 mm',))
    """
    ranges = {each.quantity: each for each in RANGES}
    assessment_of = [m for m in measurements if m.name in ranges and m.unit == ranges[m.name].unit]
    outside = [(m, ranges[m.name]) for m in assessment_of if not ranges[m.name].low <= m.value <= ranges[m.name].high]
    return len(assessment_of), tuple(
        f"{m.name} of {m.structure} is {m.value:.1f} {m.unit}, outside {r.low:g} to {r.high:g} {m.unit}"
        for m, r in outside
    )
