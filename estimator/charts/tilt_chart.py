"""What tilting a plan costs, keeps and reaches: one phase turned through its medial tilt, all else as planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import IPSILATERAL, OVER_THE_TOP, PHASE_RELATION, Approach
from canalwise.estimator.approach.table import ApproachTable, joined, pivots_level_mm, table_of
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
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.planning.pivot_constraint import repeated, with_depths, with_pivots
from canalwise.recon.anatomy import Level
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

SCHEMA = "canalwise.angle-chart/1"

STEP_DEG = 0.5
"""Between tilts; a band's ends are known as finely."""

SHOWN_DEG = {OVER_THE_TOP: (0.0, 45.0), IPSILATERAL: (-25.0, 25.0)}
"""The tilts shown, past what skin and spinous process allow (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class TiltChart:
    """One phase's medial tilt against everything that depends on it; A tilts, the plan's own among them.

    Parameters
    ----------
    approach : the plan; its pivots, docking point, instrument and other phases are held
    phase : name of the one that is tilted
    medial_tilt_deg : (A,) array, rising; 0 = straight ventral, positive = tip across the midline
    by_relation : what each takes, keeps and reaches (the whole sweep)
    plan : index of the plan's own tilt
    margins_frac : name of each limit's verdict -> (A,) array, by which share of the limit it is kept
    limits : in force
    wanted : what must be reached by this phase
    feasible : (A,) array, all limits kept and all of that reached
    bands_deg : least and greatest tilt of each unbroken run of those
    """

    level: str
    side: Side
    phase: str
    approach: Approach
    medial_tilt_deg: Float
    by_relation: OutcomesByRelation
    plan: int
    margins_frac: dict[str, Float]
    limits: dict[str, Limit]
    wanted: RequiredTargets
    feasible: npt.NDArray[np.bool_]
    bands_deg: tuple[tuple[float, float], ...]

    @property
    def within_limits(self) -> npt.NDArray[np.bool_]:
        """(A,) array: are all limits kept that were measured?"""
        return np.asarray(excess_frac(self.margins_frac) == 0.0)

    def as_json(self) -> dict[str, Any]:
        """The chart as JSON data, its fields, "nan" where not in view; `tilt_chart_of_json` reads it back."""
        return chart_as_json(SCHEMA, self)

    def __str__(self) -> str:
        low, high = self.medial_tilt_deg[[0, -1]]
        bands = ", ".join(f"{a:.1f} to {b:.1f} deg" for a, b in self.bands_deg) or "none"
        plan, here = self.medial_tilt_deg[self.plan], self.by_relation.rows(slice(self.plan, self.plan + 1))
        return (
            f"{self.level} {self.side}, {self.phase}: medial tilt {low:g} to {high:g} deg\n"
            f"feasible (all limits kept, {' and '.join(self.wanted.names)} reached): {bands}\n"
            f"plan: {plan:.1f} deg, {here.bone_mm3[0]:.0f} mm3 of bone"
        )


def tilt_chart_of_json(data: Mapping[str, Any]) -> TiltChart:
    """The chart that `as_json` wrote; raises BadFile for anything else."""
    return chart_of_json(TiltChart, SCHEMA, data, "the angle chart")


def tilt_chart(
    prepared: PreparedLevel,
    approach: Approach,
    phase: str = OVER_THE_TOP,
    wanted: RequiredTargets | None = None,
    tilts_deg: Float | None = None,
) -> TiltChart:
    """The chart of one phase of a plan.

    Parameters
    ----------
    wanted : what must be reached; of it, what lies on the phase's own side counts here, the rest in the other chart
    tilts_deg : to show, any number; the usual range of the phase, STEP_DEG apart, where left out

    Raises
    ------
    WrongUse : the plan has no such phase
    AnatomyNotFound : the targets that set the phase's depth are not in view
    """
    names = [p.name for p in approach.phases]
    if phase not in names:
        raise WrongUse("the phase", f"must be one of the plan's: {', '.join(names)}", got=phase)
    place, wanted = names.index(phase), wanted_of(phase, wanted or RequiredTargets())
    own = approach.phases[place].medial_tilt_deg
    shown = usual_tilts_deg(phase, own) if tilts_deg is None else np.asarray(tilts_deg, dtype=float)
    # the plan stands among the others, with the depths it was given
    tilts = np.concatenate([shown[shown != own], [own]])
    table = joined([tilted(prepared.level, approach, place, tilts[:-1]), table_of([approach])])
    order = np.argsort(tilts, kind="stable")
    by_relation = outcomes_by_relation(prepared.level, approach.side, outcomes(prepared.scene, table.rows(order)))
    margins = margins_frac(by_relation, prepared.limits, pars_before_mm(prepared.scene, approach.side))
    feasible = (excess_frac(margins) == 0.0) & (by_relation.short_frac(wanted) == 0.0)
    rising = tilts[order]
    return TiltChart(
        approach.level,
        approach.side,
        phase,
        approach,
        rising,
        by_relation,
        int(np.argmax(order == len(tilts) - 1)),
        margins,
        dict(prepared.limits.records),
        wanted,
        feasible,
        tuple((float(rising[a]), float(rising[b])) for a, b in runs(feasible)),
    )


def wanted_of(phase: str, wanted: RequiredTargets) -> RequiredTargets:
    """Of what is wanted, the sets on a phase's own side; all of it where none lies there.

    >>> wanted_of("over the top", RequiredTargets()).names
    ('contralateral recess',)
    """
    relation = PHASE_RELATION.get(phase, "")
    mine = tuple(name for name in wanted.names if name.startswith(relation))
    return replace(wanted, names=mine or wanted.names)


def usual_tilts_deg(phase: str, own_deg: float) -> Float:
    """(A,) array: the tilts shown for a phase, a step past the plan's own where that lies outside.

    >>> usual_tilts_deg("over the top", 20.0)[[0, 1, -1]].tolist()
    [0.0, 0.5, 45.0]
    """
    low, high = SHOWN_DEG.get(phase, (-25.0, 45.0))
    low, high = min(low, np.floor(own_deg) - 1.0), max(high, np.ceil(own_deg) + 1.0)
    return np.asarray(np.arange(round((high - low) / STEP_DEG) + 1) * STEP_DEG + low)


def tilted(level: Level, approach: Approach, phase: int, tilts_deg: Float) -> ApproachTable:
    """One row per tilt: the plan with one phase, by place, turned about its pivot and as deep as the planner goes."""
    table = repeated(approach, len(tilts_deg))
    pivots = pivots_level_mm(table)
    medial = table.medial_deg.copy()
    medial[:, phase] = tilts_deg
    return with_depths(level, with_pivots(replace(table, medial_deg=medial), pivots), [phase])
