"""Every threshold of an audit: a value, its unit, where it comes from and how well it is supported."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from canalwise.estimator.limits import Limit

AUDIT_SCHEMA = "canalwise.audit/1"
"""Of an audit's JSON; here, for who only looks whether one is kept loads nothing that makes one."""

MEASURED = "made-up pairs of scans (scripts/accuracy_audit.py)"
NORDSTEN = "Hermansen E et al. Eur Spine J 2020 (10.1007/s00586-020-06499-0)"

RULES: Mapping[str, Limit] = MappingProxyType(
    {
        "piece_mm3": Limit(25.0, "mm3", f"smaller pieces of bone lost are not reported: {MEASURED}", "CALC"),
        "piece_margin": Limit(2.0, "times", f"a piece must be this many times the largest that noise makes: {MEASURED}",
                              "CALC"),
        "near_canal_mm": Limit(8.0, "mm", "bone taken to free the sac reaches this near the canal", "PRACTICE"),
        "border_sd_mm": Limit(0.15, "mm", f"border of what was taken, besides registration: {MEASURED}", "CALC"),
        "reversed_times": Limit(3.0, "times", "more bone gained than lost by this factor may mean scans in the other "
                                "order: our choice", "PRACTICE"),
        "reversed_mm3": Limit(100.0, "mm3", "... if it is this much: the least resection drawn took 115 mm3, the most "
                              f"gained by an untouched spine 64 mm3: {MEASURED}", "CALC"),
        "place_mm3": Limit(10.0, "mm3", "smaller missed or unplanned places are not listed", "PRACTICE"),
        "sac_area_mm2": Limit(100.0, "mm2", f"sac after: {NORDSTEN}", "READ"),
        "sac_gain_frac": Limit(0.50, "fraction", f"gain of the sac: {NORDSTEN}", "READ"),
        "early_days": Limit(14.0, "days", "in week 1 a haematoma was seen in 42.5 % without complaints, median sac "
                            "128.5 mm2 (PMC2997206); two weeks is our margin", "READ"),
        "late_days": Limit(365.0, "days", "regrowth is known > 5 years after; when it begins is not: our choice",
                           "PRACTICE"),
        "regrowth_dorsal_mm": Limit(3.4, "mm", "mean late regrowth, Asian Spine J 2017;11:285", "READ"),
        "regrowth_ventral_mm": Limit(1.3, "mm", "mean late regrowth, Asian Spine J 2017;11:285", "READ"),
    }
)  # fmt: skip
"""Name -> record."""


def rule(name: str) -> float:
    """The value of a rule in its own unit.

    >>> rule("sac_area_mm2")
    100.0
    """
    return RULES[name].value
