"""For each skin entry, the least weighted bone that frees enough within the limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import Approach, other_side, placed_phases
from canalwise.estimator.charts.chart_json import chart_as_json, chart_of_json
from canalwise.estimator.charts.chart_numbers import RELATIONS, wanted_words
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.outcome.decompressed import numbers_of_plans
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.planning.entry_plans import PlanEntry, entry_of
from canalwise.estimator.planning.skin_entry import skin_entry_of
from canalwise.estimator.resection.coarse import SCREEN, coarse_resections
from canalwise.estimator.resection.resection import resection_level_of
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.estimator.search.exploration import coarse_cost
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.image.skin import skin_points_mm
from canalwise.recon.labels import Side

SCHEMA = "canalwise.entry-map/2"

STEP_MM = 4.0
"""Between entries: about what a finger on the skin can tell (choice)."""

LATERAL_MM = (0.0, 32.0)
CRANIAL_MM = 20.0
"""Entries from the spinous line outward, and this far cranial and caudal of the plan's own (choice)."""

DOCKED_MM = ((0.0, 0.0), (-4.0, 0.0), (4.0, 0.0), (0.0, -5.0), (0.0, 5.0))
"""From each entry the plan's docking point is tried, and points this far (lateral, cranial) of it (choice)."""

UNSURE_FRAC = 0.15
"""An entry whose best falls short by more than this in the screening form is not estimated exactly: the screen is off
by 0.06 (`estimator.resection.coarse`)."""


@dataclass(frozen=True, eq=False)
class EntryMap:
    """Z rows by X columns of skin entries.

    Parameters
    ----------
    plan : its pivot distance and instrument are held; the docking point is found for each entry among DOCKED_MM
    lateral_mm : (X,) array, from the spinous line toward the side of the approach
    cranial_mm : (Z,) array, cranial (+) or caudal (-) of `landmark`
    at : 'skin', or 'pivot' when no skin is in view and the entry is given in the plane of the pivot
    bone_mm3 : (Z, X) array, bone of the plan that frees enough within all limits; NaN where none does
    freed_frac : (Z, X) array, share freed on the side freed less; where `exact` is not, as the screening form has it
    freed_bone_mm3 : (Z, X) array, the bone of that; NaN where `exact` is not
    facet_area_frac : relation -> (Z, X) array, share of the joint's surface that it keeps
    reasons : what prevents success; `reason` : (Z, X) array, index of it, -1 where nothing does
    exact : (Z, X) array, was the entry estimated exactly?
    plans : Z X approaches, row after row
    plan_entry_mm : (lateral, cranial) of the plan's own entry
    limits : in force; enough_frac : share of each side that must be freed
    evaluated : approaches looked at
    """

    level: str
    side: Side
    plan: Approach
    landmark: str
    at: str
    lateral_mm: Float
    cranial_mm: Float
    bone_mm3: Float
    freed_frac: Float
    freed_bone_mm3: Float
    facet_area_frac: dict[str, Float]
    reasons: tuple[str, ...]
    reason: npt.NDArray[np.int64]
    exact: npt.NDArray[np.bool_]
    plans: tuple[Approach, ...]
    plan_entry_mm: tuple[float, float]
    limits: dict[str, Limit]
    enough_frac: float
    evaluated: int

    @property
    def best_place(self) -> tuple[int, int] | None:
        """Row and column of the least bone."""
        if np.isnan(self.bone_mm3).all():
            return None
        row, column = np.unravel_index(np.nanargmin(self.bone_mm3), self.bone_mm3.shape)
        return int(row), int(column)

    @property
    def best(self) -> Approach | None:
        """The approach of the entry with the least bone, None where no entry succeeds."""
        place = self.best_place
        return None if place is None else self.plans[place[0] * len(self.lateral_mm) + place[1]]

    def as_json(self) -> dict[str, Any]:
        """The map as JSON data, its fields, "nan" where not in view; `entry_map_of_json` reads it back."""
        return chart_as_json(SCHEMA, self)

    def __str__(self) -> str:
        place = self.best_place
        good = int(np.isfinite(self.bone_mm3).sum())
        said = f"{self.level} {self.side}: {good} of {self.bone_mm3.size} skin entries have"
        said += f" {wanted_words(self.enough_frac)} within the limits"
        if place is None:
            return said
        row, column = place
        return (
            f"{said}; least bone {self.bone_mm3[place]:.0f} mm3, {self.lateral_mm[column]:g} mm lateral and "
            f"{self.cranial_mm[row]:g} mm cranial of the {self.landmark}"
        )


def entry_map_of_json(data: Mapping[str, Any]) -> EntryMap:
    """The map that `as_json` wrote; raises BadFile for anything else."""
    return chart_of_json(EntryMap, SCHEMA, data, "the entry map")


@dataclass(frozen=True, eq=False)
class Entries:
    """Where the entries lie: (Z, X, 3) points of the level frame, and what they are measured from."""

    lateral_mm: Float
    cranial_mm: Float
    points_mm: Float
    at: str
    plan_entry_mm: tuple[float, float]


def entry_map(
    prepared: PreparedLevel,
    plan: Approach,
    step_mm: float = STEP_MM,
    say: Callable[[str], None] = lambda _: None,
) -> EntryMap:
    """The map about a plan; rows and columns are whole multiples of `step_mm`.

    Raises
    ------
    AnatomyNotFound : no dural sac, no ligament, or no targets to aim at
    """
    entry, at = entry_of(plan), resection_level_of(prepared)
    entries = entries_of(prepared, entry, step_mm)
    screened = _screened(prepared.level, at, entry, entries.points_mm.reshape(-1, 3))
    say(f"{screened.evaluated} approaches screened")
    enough = at.rules.value("freed_enough_frac")
    unsure = np.flatnonzero(screened.freed.min(axis=1) >= enough - UNSURE_FRAC)
    found = dict(zip(unsure.tolist(), numbers_of_plans(prepared, [screened.plans[n] for n in unsure], at), strict=True))
    say(f"{len(found)} estimated exactly")
    return _mapped(prepared, plan, entries, screened, found)


@dataclass(frozen=True, eq=False)
class Screened:
    """The best plan of each of K entries by the screening form, and its (K, 2) shares freed near and far."""

    plans: list[Approach]
    freed: Float
    evaluated: int


def _screened(level: Level, at: ResectionLevel, entry: PlanEntry, points_mm: Float) -> Screened:
    toward = 1.0 if entry.plan.side == "left" else -1.0
    docked = [entry.docking_mm + np.array([toward * lateral, 0.0, cranial]) for lateral, cranial in DOCKED_MM]
    plans = [entry.through(level, point, docking) for point in points_mm for docking in docked]
    found = coarse_resections(at, plans, SCREEN)
    cost = coarse_cost(found.weighted_mm3, found.least_frac, at.rules.value("freed_enough_frac"))
    best = np.arange(len(points_mm)) * len(docked) + cost.reshape(len(points_mm), -1).argmin(axis=1)
    shares = np.nan_to_num(np.stack([found.near(plans), found.far(plans)], axis=1), nan=1.0)
    return Screened([plans[row] for row in best], shares[best], len(plans))


def entries_of(prepared: PreparedLevel, entry: PlanEntry, step_mm: float) -> Entries:
    """The entries about a plan's own."""
    plan, level = entry.plan, prepared.level
    own = skin_entry_of(prepared.anatomy, plan, placed_phases(plan, level.frame)[0], prepared.air_in_view)
    centre = round(own.cranial_mm / step_mm) * step_mm
    half = int(CRANIAL_MM // step_mm)
    cranial = centre + step_mm * np.arange(-half, half + 1)
    lateral = np.arange(LATERAL_MM[0], LATERAL_MM[1] + step_mm / 2, step_mm)
    z, x = np.meshgrid(cranial + landmark_z_mm(level, plan.side), lateral, indexing="ij")
    x = x if plan.side == "left" else -x
    points = np.stack([x, np.full_like(x, entry.pivot_mm[1]), z], axis=-1)
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


def _mapped(
    prepared: PreparedLevel, plan: Approach, entries: Entries, screened: Screened, found: Mapping[int, PlanNumbers]
) -> EntryMap:
    shape, level = entries.points_mm.shape[:2], prepared.level
    cells = range(len(screened.plans))
    words = [_reason(found.get(cell), screened.freed[cell]) for cell in cells]
    reasons = tuple(sorted(set(words) - {""}))
    sides = dict(zip(RELATIONS, (plan.side, other_side(plan.side)), strict=True))
    nan = float("nan")

    def on_lattice(values: list[float]) -> Float:
        return np.array(values, dtype=float).reshape(shape)

    return EntryMap(
        level.name,
        plan.side,
        plan,
        _landmark_name(level, plan.side),
        entries.at,
        entries.lateral_mm,
        entries.cranial_mm,
        on_lattice([found[cell].bone_mm3 if cell in found and found[cell].good else nan for cell in cells]),
        on_lattice([found[c].least_freed_frac if c in found else float(screened.freed[c].min()) for c in cells]),
        on_lattice([found[cell].bone_mm3 if cell in found else nan for cell in cells]),
        {relation: on_lattice([found[cell].facet_area_frac.get(s, nan) if cell in found else nan for cell in cells])
         for relation, s in sides.items()},
        reasons,
        np.array([reasons.index(word) if word else -1 for word in words], dtype=np.int64).reshape(shape),
        np.array([cell in found for cell in cells], dtype=bool).reshape(shape),
        tuple(screened.plans),
        entries.plan_entry_mm,
        dict(prepared.limits.records),
        resection_level_of(prepared).rules.value("freed_enough_frac"),
        screened.evaluated + len(found),
    )  # fmt: skip


def _reason(numbers: PlanNumbers | None, screened_frac: Float) -> str:
    """What prevents success, empty where nothing does; too little freed is said before a limit."""
    if numbers is None:
        return f"frees too little on the {RELATIONS[int(screened_frac.argmin())]} side"
    if not numbers.verdict.freed:
        on = "contralateral" if " on the contralateral side" in numbers.verdict.sentence else "ipsilateral"
        return f"frees too little on the {on} side"
    return f"limit: {numbers.broken[0]}" if numbers.broken else ""
