"""What a thicker instrument costs, and from which diameter it no longer passes over the top: a plan's entry held."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.table import ApproachTable
from canalwise.estimator.batch.outcomes import outcomes
from canalwise.estimator.batch.outcomes_by_relation import (
    OutcomesByRelation,
    RequiredTargets,
    excess_frac,
    margins_frac,
    outcomes_by_relation,
    pars_before_mm,
    runs,
)
from canalwise.estimator.charts.chart_json import chart_as_json, chart_of_json
from canalwise.estimator.charts.constrained_search import ConstrainedResult, ConstrainedTask, least_bone
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.planning.entry_variation import EntryVariation, entry_variation_of
from canalwise.estimator.planning.pivot_constraint import repeated
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

SCHEMA = "canalwise.instrument-chart/1"

BUDGET = 16000
"""Approaches evaluated for a chart, a few seconds of work (choice)."""

Part = Literal["sleeve", "tool"]

DIAMETERS_MM: Mapping[Part, tuple[float, ...]] = {
    "sleeve": tuple(np.arange(6.0, 14.01, 0.5).tolist()),
    "tool": tuple(np.arange(2.0, 10.01, 0.5).tolist()),
}
"""Shown: from thinner to thicker than what is in use, a sleeve of 8-9 mm and tools of 3-5 mm (from memory)."""


@dataclass(frozen=True, eq=False)
class DiameterCurve:
    """One diameter varied, K values.

    Parameters
    ----------
    part : 'sleeve' or 'tool'; the scope gives way where it must, sleeve >= scope >= tool
    diameter_mm : (K,) array, rising
    plan_mm : the plan's own
    held : the plan as it is, only the instrument changed
    held_feasible : (K,) array, all limits kept and all that is wanted reached
    best : the least bone found by tilting and sweeping anew from the same pivots
    best_feasible : the same of those
    angles_deg : (K, 6) array of those, in the order of `estimator.charts.constrained_search.VARIED`
    """

    part: Part
    diameter_mm: Float
    plan_mm: float
    held: OutcomesByRelation
    held_feasible: npt.NDArray[np.bool_]
    best: OutcomesByRelation
    best_feasible: npt.NDArray[np.bool_]
    angles_deg: Float

    @property
    def bands_mm(self) -> list[tuple[float, float]]:
        """Least and greatest diameter of each unbroken run that succeeds when tilted anew."""
        return [(float(self.diameter_mm[a]), float(self.diameter_mm[b])) for a, b in runs(self.best_feasible)]

    @property
    def stops_mm(self) -> float | None:
        """The diameter from which on none shown succeeds any more; None where the thickest does, or none at all."""
        good = np.flatnonzero(self.best_feasible)
        if len(good) == 0 or good[-1] + 1 == len(self.diameter_mm):
            return None
        return float(self.diameter_mm[good[-1] + 1])


@dataclass(frozen=True, eq=False)
class InstrumentChart:
    """Bone, joints and reach against sleeve and tool diameter, the other as in the plan.

    Parameters
    ----------
    curves : of the sleeve and of the tool
    limits, wanted : in force
    budget, evaluated : approaches allowed and evaluated
    """

    level: str
    side: Side
    plan: Approach
    curves: tuple[DiameterCurve, ...]
    limits: dict[str, Limit]
    wanted: RequiredTargets
    budget: int
    evaluated: int

    def as_json(self) -> dict[str, Any]:
        """The chart as JSON data, its fields, "nan" where not in view; `instrument_chart_of_json` reads it back."""
        return chart_as_json(SCHEMA, self)

    def __str__(self) -> str:
        lines = [f"{self.level} {self.side}: {' and '.join(self.wanted.names)} within all limits"]
        for curve in self.curves:
            by_relation = ", ".join(f"{low:g} to {high:g} mm" for low, high in curve.bands_mm) or "none"
            lines.append(
                f"{curve.part}: {by_relation} (shown {curve.diameter_mm[0]:g} to {curve.diameter_mm[-1]:g} mm)"
            )
        return "\n".join(lines)


def instrument_chart_of_json(data: Mapping[str, Any]) -> InstrumentChart:
    """The chart that `as_json` wrote; raises BadFile for anything else."""
    return chart_of_json(InstrumentChart, SCHEMA, data, "the instrument chart")


def instrument_chart(
    prepared: PreparedLevel,
    plan: Approach,
    wanted: RequiredTargets | None = None,
    budget: int = BUDGET,
    say: Callable[[str], None] = lambda _: None,
) -> InstrumentChart:
    """The chart about a plan.

    Raises
    ------
    WrongUse : the plan's phases are not ipsilateral and over the top
    AnatomyNotFound : no targets in view on a side
    """
    wanted, ground = wanted or RequiredTargets(), entry_variation_of(prepared.level, plan)
    channels = [(part, with_diameter(plan.channel, part, mm)) for part, row in DIAMETERS_MM.items() for mm in row]
    fitted = fitted_table(plan, [channel for _, channel in channels])
    answer = least_bone(_question(prepared, ground, wanted, fitted), budget, say=say)
    held = outcomes_by_relation(prepared.level, plan.side, outcomes(prepared.scene, fitted))
    kept = excess_frac(margins_frac(held, prepared.limits, pars_before_mm(prepared.scene, plan.side))) == 0.0
    feasible = kept & (held.short_frac(wanted) == 0.0)
    of_part = np.array([part for part, _ in channels])
    curves = tuple(
        _curve(part, plan.channel, (held, feasible), answer.within, np.flatnonzero(of_part == part))
        for part in DIAMETERS_MM
    )
    limits = dict(prepared.limits.records)
    return InstrumentChart(plan.level, plan.side, plan, curves, limits, wanted, budget, answer.evaluated)


def with_diameter(channel: Channel, part: Part, diameter_mm: float) -> Channel:
    """The instrument with another sleeve or tool; what would no longer fit gives way.

    >>> thick = with_diameter(Channel(), "tool", 7.5)
    >>> thick.tool_diameter_mm, thick.scope_diameter_mm, thick.sleeve_diameter_mm
    (7.5, 7.5, 8.0)
    """
    if part == "tool":
        scope = max(channel.scope_diameter_mm, diameter_mm)
        sleeve = max(channel.sleeve_diameter_mm, scope)
        return replace(channel, tool_diameter_mm=diameter_mm, scope_diameter_mm=scope, sleeve_diameter_mm=sleeve)
    scope = min(channel.scope_diameter_mm, diameter_mm)
    tool = min(channel.tool_diameter_mm, scope)
    return replace(channel, tool_diameter_mm=tool, scope_diameter_mm=scope, sleeve_diameter_mm=diameter_mm)


def fitted_table(plan: Approach, channels: list[Channel]) -> ApproachTable:
    """One row per instrument: the plan, only the instrument changed.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 40.0, (Phase("ipsilateral", 0.0),))
    >>> fitted_table(plan, [with_diameter(plan.channel, "sleeve", mm) for mm in (7.0, 9.0)]).sleeve_mm.tolist()
    [7.0, 9.0]
    """
    return replace(
        repeated(plan, len(channels)),
        sleeve_mm=np.array([c.sleeve_diameter_mm for c in channels]),
        scope_mm=np.array([c.scope_diameter_mm for c in channels]),
        tool_mm=np.array([c.tool_diameter_mm for c in channels]),
    )


def _question(
    prepared: PreparedLevel, ground: EntryVariation, wanted: RequiredTargets, fitted: ApproachTable
) -> ConstrainedTask:
    """Each instrument is a cell at the plan's own pivots; thinner and thicker ones are its neighbours."""
    entries = np.repeat(ground.pivot_mm[None], len(fitted), axis=0)
    count = len(fitted)
    beside = np.stack([np.arange(count) - 1, np.append(np.arange(1, count), -1)], axis=1)
    return ConstrainedTask(
        prepared,
        ground.plan.side,
        wanted,
        lambda cells, angles: ground.laid(entries[cells], angles, fitted.rows(cells)),
        ground.aims_deg(entries),
        ground.angles_deg,
        beside,
    )


def _curve(
    part: Part,
    channel: Channel,
    held: tuple[OutcomesByRelation, npt.NDArray[np.bool_]],
    best: ConstrainedResult,
    rows: npt.NDArray[np.intp],
) -> DiameterCurve:
    by_relation, feasible = held
    mine = best.rows(rows)
    own = float(getattr(channel, f"{part}_diameter_mm"))
    shown = np.array(DIAMETERS_MM[part])
    return DiameterCurve(
        part, shown, own, by_relation.rows(rows), feasible[rows], mine.by_relation, mine.success, mine.angles_deg
    )  # fmt: skip
