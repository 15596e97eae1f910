"""For each skin entry, the least bone that must go to reach what is wanted within the limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.batch.outcomes_by_relation import RequiredTargets, margins_frac, pars_before_mm
from canalwise.estimator.charts.chart_json import chart_as_json, chart_of_json
from canalwise.estimator.charts.constrained_search import ConstrainedAnswer, ConstrainedTask, least_bone
from canalwise.estimator.estimate.blocked_targets import IN_WORDS, blocking_structures
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.planning.entry_variation import EntryVariation, entry_variation_of
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.image.skin import skin_points_mm
from canalwise.recon.labels import Side

SCHEMA = "canalwise.entry-map/1"

BUDGET = 20000
"""Approaches evaluated for a map, a few seconds of work: on narrowed levels, the bone of its entries was 1 % more in
the median than seven times as many approaches found, 1.4 % on average (choice)."""

STEP_MM = 4.0
"""Between entries: about what a finger on the skin can tell (choice)."""

LATERAL_MM = (0.0, 32.0)
CRANIAL_MM = 20.0
"""Entries from the spinous line outward, and this far cranial and caudal of the plan's own (choice)."""


@dataclass(frozen=True, eq=False)
class EntryMap:
    """Z rows by X columns of skin entries.

    Parameters
    ----------
    plan : its pivot depth, docking depth and instrument are held; tilts and sweep are found for each entry
    lateral_mm : (X,) array, from the spinous line toward the side of the approach
    cranial_mm : (Z,) array, cranial (+) or caudal (-) of `landmark`
    at : 'skin', or 'pivot' when no skin is in view and the entry is told in the plane of the pivot
    bone_mm3 : (Z, X) array, the least found that reaches all wanted within all limits; NaN where none was found
    reached_frac : (Z, X) array, least share of a wanted set, of the best within limits; NaN where none keeps them
    reached_bone_mm3 : (Z, X) array, the bone of that: of the best reach where not all can be reached
    facet_area_frac : relation -> (Z, X) array, share of the joint's surface that it keeps
    reasons : what stands in the way; `reason` : (Z, X) array, index of it, -1 where nothing does
    angles_deg : (Z, X, 6) array of that approach, in the order of `estimator.charts.constrained_search.VARIED`
    plan_entry_mm : (lateral, cranial) of the plan's own entry
    best : the approach of the entry with the least bone, None where no entry succeeds
    limits, wanted : in force
    budget, evaluated : approaches allowed and evaluated
    """

    level: str
    side: Side
    plan: Approach
    landmark: str
    at: str
    lateral_mm: Float
    cranial_mm: Float
    bone_mm3: Float
    reached_frac: Float
    reached_bone_mm3: Float
    facet_area_frac: dict[str, Float]
    reasons: tuple[str, ...]
    reason: npt.NDArray[np.int64]
    angles_deg: Float
    plan_entry_mm: tuple[float, float]
    best: Approach | None
    limits: dict[str, Limit]
    wanted: RequiredTargets
    budget: int
    evaluated: int

    @property
    def best_place(self) -> tuple[int, int] | None:
        """Row and column of the least bone."""
        if np.isnan(self.bone_mm3).all():
            return None
        row, column = np.unravel_index(np.nanargmin(self.bone_mm3), self.bone_mm3.shape)
        return int(row), int(column)

    def as_json(self) -> dict[str, Any]:
        """The map as JSON data, its fields, "nan" where not in view; `entry_map_of_json` reads it back."""
        return chart_as_json(SCHEMA, self)

    def __str__(self) -> str:
        place = self.best_place
        by_relation = (
            f"{self.level} {self.side}: {int(np.isfinite(self.bone_mm3).sum())} of {self.bone_mm3.size} skin entries"
        )
        by_relation += f" reach {' and '.join(self.wanted.names)} within the limits"
        if place is None:
            return by_relation
        row, column = place
        return (
            f"{by_relation}; least bone {self.bone_mm3[place]:.0f} mm3, {self.lateral_mm[column]:g} mm lateral and "
            f"{self.cranial_mm[row]:g} mm cranial of the {self.landmark}"
        )


def entry_map_of_json(data: Mapping[str, Any]) -> EntryMap:
    """The map that `as_json` wrote; raises BadFile for anything else."""
    return chart_of_json(EntryMap, SCHEMA, data, "the entry map")


@dataclass(frozen=True, eq=False)
class Entries:
    """Where the entries lie: (Z, X, 3) points of the level frame, and what they are told from."""

    lateral_mm: Float
    cranial_mm: Float
    points_mm: Float
    at: str
    plan_entry_mm: tuple[float, float]


def entry_map(
    prepared: PreparedLevel,
    plan: Approach,
    wanted: RequiredTargets | None = None,
    budget: int = BUDGET,
    step_mm: float = STEP_MM,
    say: Callable[[str], None] = lambda _: None,
) -> EntryMap:
    """The map about a plan; rows and columns are whole multiples of `step_mm`.

    Raises
    ------
    WrongUse : the plan's phases are not ipsilateral and over the top
    AnatomyNotFound : no targets in view on a side
    """
    wanted, ground = wanted or RequiredTargets(), entry_variation_of(prepared.level, plan)
    entries = entries_of(prepared, ground, step_mm)
    points = entries.points_mm.reshape(-1, 3)
    question = ConstrainedTask(
        prepared,
        plan.side,
        wanted,
        lambda cells, angles: ground.laid(points[cells], angles),
        ground.aims_deg(points),
        ground.angles_deg,
        _beside(entries.points_mm.shape[:2]),
    )
    answer = least_bone(question, budget, say=say)
    return _mapped(ground, entries, question, answer, budget)


def entries_of(prepared: PreparedLevel, ground: EntryVariation, step_mm: float) -> Entries:
    """The entries about a plan's own."""
    plan, level = ground.plan, ground.level
    own = skin_entry_of(prepared.anatomy, plan, placed_phases(plan, level.frame)[0], prepared.air_in_view)
    centre = round(own.cranial_mm / step_mm) * step_mm
    half = int(CRANIAL_MM // step_mm)
    cranial = centre + step_mm * np.arange(-half, half + 1)
    lateral = np.arange(LATERAL_MM[0], LATERAL_MM[1] + step_mm / 2, step_mm)
    z, x = np.meshgrid(cranial + landmark_z_mm(level, plan.side), lateral, indexing="ij")
    x = x if plan.side == "left" else -x
    points = np.stack([x, np.full_like(x, ground.pivot_mm[1]), z], axis=-1)
    if own.at == "skin":
        points[..., 1] = _skin_heights_mm(prepared.anatomy, level, points)
    own_mm = (own.lateral_mm, own.cranial_mm)
    return Entries(np.asarray(lateral, dtype=float), np.asarray(cranial, dtype=float), points, own.at, own_mm)


def landmark_z_mm(level: Level, side: Side) -> float:
    """Height of the bony landmark that entries refer to, level frame; 0, the disc's mid-plane, where not in view."""
    landmark = level.landmarks_ras_mm.get(f"upper_lamina_caudal_edge_{side}")
    return 0.0 if landmark is None else float(level.frame.to_level_mm(landmark)[2])


def _landmark_name(level: Level, side: Side) -> str:
    known = f"upper_lamina_caudal_edge_{side}" in level.landmarks_ras_mm
    return f"lower edge of the {level.upper} lamina, {side}" if known else "disc's mid-plane"


def _skin_heights_mm(anatomy: Anatomy, level: Level, points_mm: Float) -> Float:
    """(Z, X) array: how far dorsal the skin lies behind each point; their median where a line finds none."""
    starts = level.frame.to_world_mm(points_mm.reshape(-1, 3))
    skin = skin_points_mm(anatomy.labels, anatomy.grid, starts, level.frame.direction_ras(np.array([0.0, 1.0, 0.0])))
    heights = level.frame.to_level_mm(skin)[:, 1]
    return np.asarray(np.where(np.isnan(heights), np.nanmedian(heights), heights).reshape(points_mm.shape[:2]))


def _beside(shape: tuple[int, ...]) -> npt.NDArray[np.intp]:
    """(Z X, 2) array: the next cell cranially and the next laterally, -1 at the edges; all four would cost too much."""
    cells = np.pad(np.arange(shape[0] * shape[1]).reshape(shape[0], shape[1]), 1, constant_values=-1)
    return np.stack([cells[2:, 1:-1], cells[1:-1, 2:]], axis=-1).reshape(-1, 2)


def _mapped(
    ground: EntryVariation, entries: Entries, question: ConstrainedTask, answer: ConstrainedAnswer, budget: int
) -> EntryMap:
    shape, within, success = entries.points_mm.shape[:2], answer.within, answer.within.success
    bone = np.where(success, within.by_relation.bone_mm3, np.nan)
    kept = within.excess_frac == 0.0
    words = reasons_of(question, answer)
    reasons = tuple(sorted(set(words) - {""}))
    best = None
    if success.any():
        cell = np.array([int(np.nanargmin(bone))])
        best = ground.laid(entries.points_mm.reshape(-1, 3)[cell], within.angles_deg[cell]).approach(0)
    return EntryMap(
        ground.level.name,
        ground.plan.side,
        ground.plan,
        _landmark_name(ground.level, ground.plan.side),
        entries.at,
        entries.lateral_mm,
        entries.cranial_mm,
        bone.reshape(shape),
        np.where(kept, within.by_relation.wanted_frac(question.wanted), np.nan).reshape(shape),
        np.where(kept, within.by_relation.bone_mm3, np.nan).reshape(shape),
        {relation: share.reshape(shape) for relation, share in within.by_relation.facet_area_frac.items()},
        reasons,
        np.array([reasons.index(word) if word else -1 for word in words], dtype=np.int64).reshape(shape),
        within.angles_deg.reshape(*shape, -1),
        entries.plan_entry_mm,
        best,
        dict(question.prepared.limits.records),
        question.wanted,
        budget,
        answer.evaluated,
    )


def reasons_of(question: ConstrainedTask, answer: ConstrainedAnswer) -> list[str]:
    """(K) reasons why a cell fails, empty where it does not.

    The limit that full reach breaks worst; or the wanted set least reached, and what stands in its way.
    """
    found, wanted = answer.reaching, question.wanted
    margins = margins_frac(
        found.by_relation, question.prepared.limits, pars_before_mm(question.prepared.scene, question.side)
    )
    names, worst = list(margins), np.nan_to_num(np.array(list(margins.values())), nan=np.inf).argmin(axis=0)
    shares = np.nan_to_num(np.array([found.by_relation.targets_frac[name] for name in wanted.names]))
    least, cells = shares.argmin(axis=0), np.arange(len(question))
    table = question.lay(cells, found.angles_deg)
    reasons = []
    for cell in cells:
        if answer.within.success[cell]:
            reasons.append("")
        elif found.short_frac[cell] == 0.0:
            reasons.append(f"limit: {names[worst[cell]]}")
        else:
            name = wanted.names[least[cell]]
            cause = blocking_structures(question.prepared, table.approach(int(cell)), name)
            reasons.append(f"{name} {IN_WORDS[cause]}")
    return reasons
