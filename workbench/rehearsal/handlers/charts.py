"""Charts about a plan: another tilt, another skin entry, another instrument; each point with the plan it stands for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import IPSILATERAL, Approach
from canalwise.estimator.charts.chart_numbers import ChartNumbers
from canalwise.estimator.charts.entry_map import EntryMap, entry_map
from canalwise.estimator.charts.instrument_chart import DiameterCurve, InstrumentChart, instrument_chart, with_diameter
from canalwise.estimator.charts.tilt_chart import TiltChart, tilt_chart, tilted_plans
from canalwise.estimator.estimate.estimate_json import plain
from canalwise.estimator.limit_rules import RELATIONS
from canalwise.estimator.limits import Limit
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.grid import Float
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.style.palette import LEAST_STACKED_MM3, STACK

STEPS = 2
"""Signs of progress that an entry map and an instrument chart give."""

FREED = {f"{relation} side": relation for relation in RELATIONS}
"""What must be freed, as the page names it."""


@dataclass(frozen=True)
class TiltChartRequest:
    """What another medial tilt of the entry would cost; `phase` is returned as sent, a `task` decides nothing."""

    plan: Approach
    phase: str = IPSILATERAL
    task: tuple[str, ...] = ()


@dataclass(frozen=True)
class PlanChartRequest:
    """What another entry or instrument would cost; a `task` decides nothing."""

    plan: Approach
    task: tuple[str, ...] = ()


def angles(session: Session, message: TiltChartRequest, job: RequestJob) -> Json:
    """The angle chart of a plan's entry, and the plan at each of its tilts."""
    prepared, plan = session.prepared(message.plan.level), message.plan

    def progress(done: int) -> None:
        if job.stop.is_set():
            raise Cancelled
        job.tell(done, max(done, 20), f"{done} tilts estimated")

    chart = tilt_chart(prepared, plan, progress=progress)
    plans = [asdict(one) for one in tilted_plans(prepared.level, plan, chart.medial_tilt_deg)]
    return plain(_angle_json(chart) | {"plans": plans, "phase": message.phase})


def _angle_json(chart: TiltChart) -> Json:
    return {
        "level": chart.level,
        "side": chart.side,
        "tilts_deg": chart.medial_tilt_deg,
        "plan": chart.plan,
        **_reported_json(chart.numbers),
        "layers_mm3": _layers(chart.numbers),
        "feasible": chart.feasible.tolist(),
        "bands_deg": chart.bands_deg,
        "breaks": list(chart.numbers.broken),
        **_requested_json(chart),
    }


def _reported_json(numbers: ChartNumbers) -> Json:
    return {
        "targets_frac": {name: numbers.freed_frac[relation] for name, relation in FREED.items()},
        "least_area_mm2": numbers.least_area_mm2,
        "bone_mm3": numbers.bone_mm3,
        "facet_area_frac": numbers.facet_area_frac,
        "reach_mm": numbers.reach_mm,
    }


def _layers(numbers: ChartNumbers) -> dict[str, Float]:
    """Bone by groups of structures, in the order they are stacked; what never counts is left out."""
    groups = {name: np.sum([numbers.structure_mm3[part] for part in parts], axis=0) for name, parts in STACK.items()}
    return {name: layer for name, layer in groups.items() if name == "other" or layer.max() >= LEAST_STACKED_MM3}


def _requested_json(chart: TiltChart | EntryMap | InstrumentChart) -> Json:
    """What had to be freed, and the limits in force that charts draw."""
    return {
        "wanted": list(FREED),
        "enough_frac": chart.enough_frac,
        "limits": {name: asdict(_limit(chart, name)) for name in ("facet_area_kept_frac", "facet_width_kept_frac")},
        "caution": CAUTION,
    }


def _limit(chart: TiltChart | EntryMap | InstrumentChart, name: str) -> Limit:
    return chart.limits[name]


def entries(session: Session, message: PlanChartRequest, job: RequestJob) -> Json:
    """The entry map about a plan, and the plan through each of its entries."""
    chart = entry_map(session.prepared(message.plan.level), message.plan, say=_progress_of(job))
    return plain(_entry_json(chart) | {"plans": _entry_plans(chart)})


def _entry_json(chart: EntryMap) -> Json:
    return {
        "level": chart.level,
        "side": chart.side,
        "landmark": chart.landmark,
        "at": chart.at,
        "lateral_mm": chart.lateral_mm,
        "cranial_mm": chart.cranial_mm,
        "bone_mm3": chart.bone_mm3,
        "reached_frac": chart.freed_frac,
        "reached_bone_mm3": chart.freed_bone_mm3,
        "facet_area_frac": chart.facet_area_frac,
        "reasons": chart.reasons,
        "reason": chart.reason,
        "plan_entry_mm": chart.plan_entry_mm,
        "best_place": chart.best_place,
        "evaluated": chart.evaluated,
        **_requested_json(chart),
    }


def _entry_plans(chart: EntryMap) -> list[list[Json]]:
    """Z rows by X columns of the approaches of the map."""
    flat, columns = [asdict(plan) for plan in chart.plans], len(chart.lateral_mm)
    return [flat[start : start + columns] for start in range(0, len(flat), columns)]


def instruments(session: Session, message: PlanChartRequest, job: RequestJob) -> Json:
    """The instrument chart about a plan; at each diameter the plan as it is, and the one entered anew."""
    chart = instrument_chart(session.prepared(message.plan.level), message.plan, say=_progress_of(job))
    reported = {"level": chart.level, "side": chart.side, "evaluated": chart.evaluated, **_requested_json(chart)}
    return plain(reported | {"curves": [_curve_json(chart, curve) for curve in chart.curves]})


def _curve_json(chart: InstrumentChart, curve: DiameterCurve) -> Json:
    channels = [with_diameter(chart.plan.channel, curve.part, float(mm)) for mm in curve.diameter_mm]
    return {
        "part": curve.part,
        "diameter_mm": curve.diameter_mm,
        "plan_mm": curve.plan_mm,
        "held": _reported_json(curve.held),
        "held_feasible": curve.held_feasible.tolist(),
        "best": _reported_json(curve.best),
        "best_feasible": curve.best_feasible.tolist(),
        "bands_mm": curve.bands_mm,
        "stops_mm": curve.stops_mm,
        "held_plans": [asdict(replace(chart.plan, channel=channel)) for channel in channels],
        "best_plans": [asdict(plan) for plan in curve.best_plans],
    }


def _progress_of(job: RequestJob) -> Callable[[str], None]:
    """Passes signs of progress on; at one of them a question that was called off ends."""
    by_relation = iter(range(1, STEPS + 1))
    job.tell(0, STEPS, "looking from the planned entry")

    def report_step(words: str) -> None:
        if job.stop.is_set():
            raise Cancelled
        job.tell(min(next(by_relation, STEPS), STEPS), STEPS, words)

    return report_step


ASKS: dict[str, RequestKind] = {
    "angle_chart": RequestKind(TiltChartRequest, angles, newest_only=True, long=True),
    "entry_map": RequestKind(PlanChartRequest, entries, newest_only=True, long=True),
    "instrument_chart": RequestKind(PlanChartRequest, instruments, newest_only=True, long=True),
}
