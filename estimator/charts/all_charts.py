"""All that is charted about one plan: other tilts, other entries, other instruments."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.batch.outcomes_by_relation import RequiredTargets
from canalwise.estimator.charts.entry_map import BUDGET as ENTRY_BUDGET
from canalwise.estimator.charts.entry_map import EntryMap, entry_map
from canalwise.estimator.charts.instrument_chart import BUDGET as INSTRUMENT_BUDGET
from canalwise.estimator.charts.instrument_chart import InstrumentChart, instrument_chart
from canalwise.estimator.charts.tilt_chart import TiltChart, tilt_chart
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.recon.errors import WrongUse

Chart = TiltChart | EntryMap | InstrumentChart

KINDS = ("angle", "entry", "instrument")


def charts_of(
    prepared: PreparedLevel,
    plan: Approach,
    kinds: Sequence[str] = KINDS,
    wanted: RequiredTargets | None = None,
    effort: float = 1.0,
    say: Callable[[str], None] = lambda _: None,
) -> dict[str, Chart]:
    """Name -> chart, such as 'angle-over-the-top', 'entry' or 'instrument'.

    Parameters
    ----------
    kinds : of KINDS; an angle chart is made for each phase, the last first
    effort : share of the usual number of approaches

    Raises
    ------
    WrongUse : no such kind, or a plan whose phases are not ipsilateral and over the top
    AnatomyNotFound : no targets in view on a side
    """
    if unknown := set(kinds) - set(KINDS):
        raise WrongUse("the kind of chart", f"must be among {', '.join(KINDS)}", got=sorted(unknown))
    made: dict[str, Chart] = {}
    if "angle" in kinds:
        say("tilts")
        for phase in reversed(plan.phases):
            made[f"angle-{phase.name.replace(' ', '-')}"] = tilt_chart(prepared, plan, phase.name, wanted)
    if "entry" in kinds:
        made["entry"] = entry_map(prepared, plan, wanted, int(effort * ENTRY_BUDGET), say=_after("skin entries", say))
    if "instrument" in kinds:
        budget = int(effort * INSTRUMENT_BUDGET)
        made["instrument"] = instrument_chart(prepared, plan, wanted, budget, say=_after("instruments", say))
    return made


def _after(what: str, say: Callable[[str], None]) -> Callable[[str], None]:
    say(what)
    return lambda step: say(f"{what}, {step}")
