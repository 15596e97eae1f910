"""All that is charted about one plan: other tilts, other entries, other instruments."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.charts.entry_map import STEP_MM, EntryMap, entry_map
from canalwise.estimator.charts.instrument_chart import DIAMETERS_MM, InstrumentChart, instrument_chart
from canalwise.estimator.charts.tilt_chart import STEP_DEG, TiltChart, tilt_chart, usual_tilts_deg
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.entry_plans import entry_of
from canalwise.recon.errors import WrongUse

Chart = TiltChart | EntryMap | InstrumentChart

KINDS = ("angle", "entry", "instrument")

SPARING_STEP_MM, SPARING_STEP_DEG = 8.0, 5.0
"""Steps of entries and tilts where a chart is one of many things to draw; every second diameter is then left out."""


def charts_of(
    prepared: PreparedLevel,
    plan: Approach,
    kinds: Sequence[str] = KINDS,
    sparing: bool = False,
    say: Callable[[str], None] = lambda _: None,
) -> dict[str, Chart]:
    """Name -> chart: 'angle', 'entry' or 'instrument'.

    Parameters
    ----------
    kinds : of KINDS
    sparing : with wider steps, for a third of the work

    Raises
    ------
    WrongUse : no such kind
    AnatomyNotFound : no dural sac, no ligament, or no targets to aim at
    """
    if unknown := set(kinds) - set(KINDS):
        raise WrongUse("the kind of chart", f"must be among {', '.join(KINDS)}", got=sorted(unknown))
    made: dict[str, Chart] = {}
    if "angle" in kinds:
        say("tilts")
        tilts = usual_tilts_deg(entry_of(plan).medial_tilt_deg, SPARING_STEP_DEG if sparing else STEP_DEG)
        made["angle"] = tilt_chart(prepared, plan, tilts)
    if "entry" in kinds:
        step = SPARING_STEP_MM if sparing else STEP_MM
        made["entry"] = entry_map(prepared, plan, step, say=_after("skin entries", say))
    if "instrument" in kinds:
        shown = {part: row[:: 2 if sparing else 1] for part, row in DIAMETERS_MM.items()}
        made["instrument"] = instrument_chart(prepared, plan, shown, say=_after("instruments", say))
    return made


def _after(what: str, say: Callable[[str], None]) -> Callable[[str], None]:
    say(what)
    return lambda step: say(f"{what}, {step}")
