"""Was enough freed, by what is published; and what the time since the operation does to a scan."""

from __future__ import annotations

from dataclasses import dataclass

from canalwise.estimator.audit.areas import AuditedAreas
from canalwise.estimator.audit.rules import RULES, rule
from canalwise.estimator.limits import Limit


@dataclass(frozen=True)
class PassCriterion:
    """One published criterion; `met` is None where the scans do not show what it asks, and `why` then says so."""

    name: str
    value: float
    limit: Limit
    met: bool | None
    why: str = ""


NO_SAC_AFTER = "the sac is not outlined on the scan after: give it with --labels"
NO_SAC_BEFORE = "the sac before was modelled, not seen"


def pass_criteria(areas: AuditedAreas) -> tuple[PassCriterion, ...]:
    """The criteria of the NORDSTEN trial that areas can answer; one of them, or grade A or B on MR, is enough."""
    area, gain = RULES["sac_area_mm2"], RULES["sac_gain_frac"]
    nan = float("nan")
    if areas.sac_after_mm2 is None:
        return (
            PassCriterion("least sac area after", nan, area, None, NO_SAC_AFTER),
            PassCriterion("gain of the least sac area", nan, gain, None, NO_SAC_AFTER),
        )
    after = float(areas.sac_after_mm2.min())
    if areas.sac_before_mm2 is None:
        second = PassCriterion("gain of the least sac area", nan, gain, None, NO_SAC_BEFORE)
    else:
        before = float(areas.sac_before_mm2.min())
        more = after / before - 1 if before > 0 else nan
        second = PassCriterion("gain of the least sac area", more, gain, bool(more >= gain.value))
    return (PassCriterion("least sac area after", after, area, bool(after > area.value)), second)


def time_caveats(days_after: int | None) -> tuple[str, ...]:
    """Effects of the time since the operation on what a scan shows.

    >>> [len(time_caveats(days)) for days in (None, 3, 90, 2000)]
    [1, 1, 0, 1]
    """
    if days_after is None:
        return ("How long after the operation the scan was taken is not known: give it with --days-after.",)
    if days_after <= rule("early_days"):
        return (
            f"Taken {days_after} days after: blood and swelling press on the sac, and areas read too small "
            f"({RULES['early_days'].source}).",
        )
    if days_after >= rule("late_days"):
        dorsal, ventral = rule("regrowth_dorsal_mm"), rule("regrowth_ventral_mm")
        return (
            f"Taken {days_after} days after: bone grows back, late on the mean by {dorsal} mm dorsally and {ventral} "
            f"mm ventrally ({RULES['regrowth_dorsal_mm'].source}); what was taken reads too small.",
        )
    return ()
