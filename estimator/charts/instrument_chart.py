"""Chart of a plan's numbers over the diameter of its instrument, its entry held or moved."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.charts.chart_json import chart_as_json, chart_of_json
from canalwise.estimator.charts.chart_numbers import ChartNumbers, chart_numbers, runs, wanted_words
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.outcome.decompressed import numbers_of_plans
from canalwise.estimator.outcome.plan_values import rank_of
from canalwise.estimator.planning.entry_plans import PlanEntry, entry_of
from canalwise.estimator.resection.coarse import SCREEN, coarse_resections
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.search.exploration import coarse_cost
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

SCHEMA = "canalwise.instrument-chart/2"

Part = Literal["sleeve", "tool"]

DIAMETERS_MM: Mapping[Part, tuple[float, ...]] = {
    "sleeve": tuple(np.arange(6.0, 14.01, 1.0).tolist()),
    "tool": tuple(np.arange(2.0, 8.01, 1.0).tolist()),
}
"""Shown: from thinner to thicker than what is in use, a sleeve of 8-9 mm and tools of 3-5 mm (from memory)."""

MOVED_MM = tuple((lateral, cranial) for lateral in (-4.0, 0.0, 4.0, 8.0) for cranial in (-6.0, 0.0, 6.0))
"""Entered anew, the pivot is tried this far (lateral, cranial) of the plan's own (choice)."""


@dataclass(frozen=True, eq=False)
class DiameterCurve:
    """One diameter varied, K values.

    Parameters
    ----------
    part : 'sleeve' or 'tool'; the scope is made thinner where it must, sleeve >= scope >= tool
    diameter_mm : (K,) array, rising
    plan_mm : the plan's own
    held : the plan as it is, only the instrument changed
    best, best_plans : the better of that and of the cheapest of some pivots about the plan's own, by the screening form
    """

    part: Part
    diameter_mm: Float
    plan_mm: float
    held: ChartNumbers
    best: ChartNumbers
    best_plans: tuple[Approach, ...]

    @property
    def held_feasible(self) -> npt.NDArray[np.bool_]:
        """(K,) array: enough freed with all limits kept, from the planned entry?"""
        return self.held.feasible

    @property
    def best_feasible(self) -> npt.NDArray[np.bool_]:
        """(K,) array: the same entered anew."""
        return self.best.feasible

    @property
    def bands_mm(self) -> list[tuple[float, float]]:
        """Least and greatest diameter of each unbroken run that succeeds entered anew."""
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
    """Freed, bone and joints against sleeve and tool diameter, the other as in the plan.

    Parameters
    ----------
    curves : of the sleeve and of the tool
    limits : in force; enough_frac : share of each side that must be freed
    evaluated : approaches looked at
    """

    level: str
    side: Side
    plan: Approach
    curves: tuple[DiameterCurve, ...]
    limits: dict[str, Limit]
    enough_frac: float
    evaluated: int

    def as_json(self) -> dict[str, Any]:
        """The chart as JSON data, its fields, "nan" where not in view; `instrument_chart_of_json` reads it back."""
        return chart_as_json(SCHEMA, self)

    def __str__(self) -> str:
        lines = [f"{self.level} {self.side}: {wanted_words(self.enough_frac)} within all limits"]
        for curve in self.curves:
            good = ", ".join(f"{low:g} to {high:g} mm" for low, high in curve.bands_mm) or "none"
            lines.append(f"{curve.part}: {good} (shown {curve.diameter_mm[0]:g} to {curve.diameter_mm[-1]:g} mm)")
        return "\n".join(lines)


def instrument_chart_of_json(data: Mapping[str, Any]) -> InstrumentChart:
    """The chart that `as_json` wrote; raises BadFile for anything else."""
    return chart_of_json(InstrumentChart, SCHEMA, data, "the instrument chart")


def instrument_chart(
    prepared: PreparedLevel,
    plan: Approach,
    diameters_mm: Mapping[Part, Sequence[float]] = DIAMETERS_MM,
    say: Callable[[str], None] = lambda _: None,
) -> InstrumentChart:
    """The chart about a plan, at some diameters and its own.

    Raises
    ------
    AnatomyNotFound : no dural sac, no ligament, or no targets to aim at
    """
    at, curves, evaluated = resection_level_of(prepared), [], 0
    for part, requested in diameters_mm.items():
        own = float(getattr(plan.channel, f"{part}_diameter_mm"))
        shown = sorted({*requested, own})
        channels = [with_diameter(plan.channel, part, mm) for mm in shown]
        held = [replace(plan, channel=channel) for channel in channels]
        anew = [_entered_anew(prepared.level, at, entry_of(plan), channel) for channel in channels]
        numbers = list(numbers_of_plans(prepared, [*held, *anew], at))
        pairs = [[*zip(some, numbers[start:], strict=False)] for start, some in ((0, held), (len(held), anew))]
        best = [min(two, key=lambda one: rank_of(one[1])) for two in zip(*pairs, strict=True)]
        columns = [chart_numbers([one for _, one in some], plan.side) for some in (pairs[0], best)]
        plans = tuple(chosen for chosen, _ in best)
        curves.append(DiameterCurve(part, np.array(shown, dtype=float), own, columns[0], columns[1], plans))
        evaluated += len(numbers) + len(MOVED_MM) * len(channels)
        say(f"{evaluated} approaches looked at")
    enough = at.rules.value("freed_enough_frac")
    limits = dict(prepared.limits.records)
    return InstrumentChart(plan.level, plan.side, plan, tuple(curves), limits, enough, evaluated)


def _entered_anew(level: Level, at: ResectionLevel, entry: PlanEntry, channel: Channel) -> Approach:
    """The cheapest plan that frees enough, of some pivots, by the screening form."""
    toward = 1.0 if entry.plan.side == "left" else -1.0
    shifts = [np.array([toward * lateral, 0.0, cranial]) for lateral, cranial in MOVED_MM]
    plans = [entry.moved(level, shift, channel) for shift in shifts]
    found = coarse_resections(at, plans, SCREEN)
    cost = coarse_cost(found.weighted_mm3, found.least_frac, at.rules.value("freed_enough_frac"))
    return plans[int(cost.argmin())]


def with_diameter(channel: Channel, part: Part, diameter_mm: float) -> Channel:
    """The instrument with another sleeve or tool; what would no longer fit is made to.

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
