"""Charts about a plan: another tilt, another skin entry, another instrument; each point with the plan it stands for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes_by_relation import OutcomesByRelation, wanted_of_task
from canalwise.estimator.charts.entry_map import STEP_MM, EntryMap, entries_of, entry_map
from canalwise.estimator.charts.instrument_chart import (
    DiameterCurve,
    InstrumentChart,
    fitted_table,
    instrument_chart,
    with_diameter,
)
from canalwise.estimator.charts.tilt_chart import TiltChart, tilt_chart, tilted
from canalwise.estimator.estimate.estimate_json import plain
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.planning.entry_variation import EntryVariation, entry_variation_of
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.grid import Float
from canalwise.workbench.rehearsal.session.request import Cancelled, Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session
from canalwise.workbench.style.palette import LEAST_STACKED_MM3, STACK

STEPS = 3
"""Signs of progress that an entry map and an instrument chart give: at their start and after each phase."""


@dataclass(frozen=True)
class TiltChartRequest:
    """What another medial tilt of one phase would cost."""

    plan: Approach
    phase: str
    task: tuple[str, ...]


@dataclass(frozen=True)
class PlanChartRequest:
    """What another entry or instrument would cost."""

    plan: Approach
    task: tuple[str, ...]


def angles(session: Session, message: TiltChartRequest, job: RequestJob) -> Json:
    """The angle chart of one phase, and the plan at each of its tilts."""
    del job
    prepared, plan = session.prepared(message.plan.level), message.plan
    chart = tilt_chart(prepared, plan, message.phase, wanted_of_task(message.task))
    place = [phase.name for phase in plan.phases].index(chart.phase)
    table = tilted(prepared.level, plan, place, chart.medial_tilt_deg)
    plans = _plans(plan, table)
    # at its own tilt the plan keeps the depths it was given
    plans[chart.plan] = asdict(plan)
    return plain(_angle_json(chart) | {"plans": plans})


def _angle_json(chart: TiltChart) -> Json:
    margins = np.nan_to_num(np.array(list(chart.margins_frac.values())), nan=np.inf)
    names, worst = list(chart.margins_frac), margins.argmin(axis=0)
    return {
        "level": chart.level,
        "side": chart.side,
        "phase": chart.phase,
        "tilts_deg": chart.medial_tilt_deg,
        "plan": chart.plan,
        **_reported_json(chart.by_relation, chart.wanted.names),
        "layers_mm3": _layers(chart.by_relation),
        "feasible": chart.feasible.tolist(),
        "bands_deg": chart.bands_deg,
        "breaks": [names[which] if margins[which, row] < 0 else "" for row, which in enumerate(worst)],
        **_requested_json(chart),
    }


def _reported_json(by_relation: OutcomesByRelation, wanted: tuple[str, ...]) -> Json:
    return {
        "bone_mm3": by_relation.bone_mm3,
        "facet_area_frac": by_relation.facet_area_frac,
        "reach_mm": by_relation.reach_mm["contralateral"],
        "targets_frac": {name: by_relation.targets_frac[name] for name in wanted},
    }


def _layers(by_relation: OutcomesByRelation) -> dict[str, Float]:
    """Bone by groups of structures, in the order they are stacked; what never counts is left out."""
    groups = {
        name: np.sum([by_relation.structure_mm3[part] for part in parts], axis=0) for name, parts in STACK.items()
    }
    return {name: layer for name, layer in groups.items() if name == "other" or layer.max() >= LEAST_STACKED_MM3}


def _requested_json(chart: TiltChart | EntryMap | InstrumentChart) -> Json:
    """What had to be reached, and the limits in force that charts draw."""
    return {
        "wanted": chart.wanted.names,
        "enough_frac": chart.wanted.enough_frac,
        "limits": {name: asdict(_limit(chart, name)) for name in ("facet_area_kept_frac", "facet_width_kept_frac")},
        "caution": CAUTION,
    }


def _limit(chart: TiltChart | EntryMap | InstrumentChart, name: str) -> Limit:
    return chart.limits[name]


def _plans(plan: Approach, table: ApproachTable) -> list[Json]:
    """Every row of a table as a plan; tables do not hold the lens, which changes no number."""
    rows = (table.approach(row) for row in range(len(table)))
    lens = plan.channel.lens_angle_deg
    return [asdict(replace(row, channel=replace(row.channel, lens_angle_deg=lens))) for row in rows]


def entries(session: Session, message: PlanChartRequest, job: RequestJob) -> Json:
    """The entry map about a plan, and the plan through each of its entries."""
    prepared, plan = session.prepared(message.plan.level), message.plan
    chart = entry_map(prepared, plan, wanted_of_task(message.task), say=_progress_of(job))
    return plain(_entry_json(chart) | {"plans": _entry_plans(prepared, chart)})


def _entry_json(chart: EntryMap) -> Json:
    return {
        "level": chart.level,
        "side": chart.side,
        "landmark": chart.landmark,
        "at": chart.at,
        "lateral_mm": chart.lateral_mm,
        "cranial_mm": chart.cranial_mm,
        "bone_mm3": chart.bone_mm3,
        "reached_frac": chart.reached_frac,
        "reached_bone_mm3": chart.reached_bone_mm3,
        "facet_area_frac": chart.facet_area_frac,
        "reasons": chart.reasons,
        "reason": chart.reason,
        "plan_entry_mm": chart.plan_entry_mm,
        "best_place": chart.best_place,
        "evaluated": chart.evaluated,
        **_requested_json(chart),
    }


def _entry_plans(prepared: PreparedLevel, chart: EntryMap) -> list[list[Json]]:
    """Z rows by X columns of the approaches of the map."""
    ground: EntryVariation = entry_variation_of(prepared.level, chart.plan)
    points = entries_of(prepared, ground, STEP_MM).points_mm
    flat = _plans(chart.plan, ground.laid(points.reshape(-1, 3), chart.angles_deg.reshape(-1, 6)))
    columns = len(chart.lateral_mm)
    return [flat[start : start + columns] for start in range(0, len(flat), columns)]


def instruments(session: Session, message: PlanChartRequest, job: RequestJob) -> Json:
    """The instrument chart about a plan; at each diameter the plan as it is, and the one tilted anew."""
    prepared, plan = session.prepared(message.plan.level), message.plan
    chart = instrument_chart(prepared, plan, wanted_of_task(message.task), say=_progress_of(job))
    by_relation = {"level": chart.level, "side": chart.side, "evaluated": chart.evaluated, **_requested_json(chart)}
    return plain(by_relation | {"curves": [_curve_json(prepared, chart, curve) for curve in chart.curves]})


def _curve_json(prepared: PreparedLevel, chart: InstrumentChart, curve: DiameterCurve) -> Json:
    plan, ground = chart.plan, entry_variation_of(prepared.level, chart.plan)
    channels = [with_diameter(plan.channel, curve.part, float(mm)) for mm in curve.diameter_mm]
    entries_mm = np.repeat(ground.pivot_mm[None], len(channels), axis=0)
    return {
        "part": curve.part,
        "diameter_mm": curve.diameter_mm,
        "plan_mm": curve.plan_mm,
        "held": _reported_json(curve.held, chart.wanted.names),
        "held_feasible": curve.held_feasible.tolist(),
        "best": _reported_json(curve.best, chart.wanted.names),
        "best_feasible": curve.best_feasible.tolist(),
        "bands_mm": curve.bands_mm,
        "stops_mm": curve.stops_mm,
        "held_plans": [asdict(replace(plan, channel=channel)) for channel in channels],
        "best_plans": _plans(plan, ground.laid(entries_mm, curve.angles_deg, fitted_table(plan, channels))),
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
    "angle_chart": RequestKind(TiltChartRequest, angles, newest_only=True),
    "entry_map": RequestKind(PlanChartRequest, entries, newest_only=True, long=True),
    "instrument_chart": RequestKind(PlanChartRequest, instruments, newest_only=True, long=True),
}
