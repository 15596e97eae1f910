"""Variation of a plan's entry: approaches through any point dorsal of its pivot, with tilts, sweep and instrument."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side, works_across
from canalwise.estimator.approach.table import ApproachTable, axes_level, pivots_level_mm, table_of
from canalwise.estimator.planning.default_approach import middle_mm, recess_mm
from canalwise.estimator.planning.pivot_constraint import aim_deg, repeated, with_depths, with_pivots
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float

LEAST_DORSAL = 0.2
"""An axis flatter than this, as a share of straight ventral, is not followed back to a plane."""


@dataclass(frozen=True, eq=False)
class EntryVariation:
    """A plan whose entry, tilts, sweep and instrument are to be varied.

    Parameters
    ----------
    level, plan : the plan has P phases; the first is the one that the skin is entered by
    pivots_mm : (P, 3) array of the level frame, the phases' pivots
    """

    level: Level
    plan: Approach
    pivots_mm: Float

    @property
    def pivot_mm(self) -> Float:
        """(3,) array: the first phase's pivot."""
        return np.asarray(self.pivots_mm[0])

    @property
    def angles_deg(self) -> Float:
        """(3 P,) array: the plan's own tilts and sweeps, medial tilt, cranial tilt and sweep of each phase."""
        phases = self.plan.phases
        return np.array([(p.medial_tilt_deg, p.cranial_tilt_deg, p.sweep_half_angle_deg) for p in phases]).ravel()

    @property
    def docked_dorsal_mm(self) -> float:
        """How far dorsal the first axis is at the pivot distance: the docking point itself where the axis meets it.

        A default plan turns its first axis about the pivot, away from the docking point; with the plane of that point
        the sleeve would end elsewhere than the plan's own.
        """
        axis = axes_level(table_of([self.plan]))[0, 0]
        return float(self.pivot_mm[1] + self.plan.pivot_distance_mm * axis[1])

    def aims_deg(self, entries_mm: Float) -> Float:
        """(K, 2 P) array: tilts from (K, 3) entries toward the near recess and, of phases across, the far targets."""
        side = self.plan.side
        toward = recess_mm(self.level, side) - entries_mm
        pivots = entries_mm + toward * self._to_plane(entries_mm, toward, self.pivot_mm[1])[:, None]
        near_mm, far_mm = recess_mm(self.level, side), middle_mm(self.level, other_side(side))
        aims = [aim_deg(side, toward)]
        for phase, pivot_mm in zip(self.plan.phases[1:], self.pivots_mm[1:], strict=True):
            goal_mm = far_mm if works_across(phase.name) else near_mm
            aims.append(aim_deg(side, goal_mm - (pivots + pivot_mm - self.pivots_mm[0])))
        return np.concatenate(aims, axis=1)

    def _to_plane(self, start_mm: Float, direction: Float, dorsal_mm: float) -> Float:
        """(K,) array: multiples of a ventral direction at which it meets a coronal plane; 0 where that lies behind."""
        return np.asarray(np.maximum((start_mm[:, 1] - dorsal_mm) / np.maximum(-direction[:, 1], LEAST_DORSAL), 0.0))

    def approaches_at(
        self, entries_mm: Float, angles_deg: Float, instruments: ApproachTable | None = None
    ) -> ApproachTable:
        """N approaches through entries of the skin, or of the pivot's plane where no skin is in view.

        The first phase's axis runs through its entry; its pivot lies on that axis in the plan's own coronal plane of
        the pivot (or at the entry where that is not deeper), its docking point in that of `docked_dorsal_mm`. The
        other pivots are shifted from the first as in the plan. Depths follow the planner's rule.

        Parameters
        ----------
        entries_mm : (N, 3) array, level frame
        angles_deg : (N, 3 P) array, as `angles_deg`
        instruments : N rows whose diameters and lengths are taken; the plan's own where left out
        """
        base = repeated(self.plan, len(entries_mm)) if instruments is None else instruments
        turned = replace(
            base,
            medial_deg=angles_deg[:, 0::3],
            cranial_deg=angles_deg[:, 1::3],
            sweep_deg=angles_deg[:, 2::3],
        )
        axis = axes_level(turned)[:, 0]
        pivot = entries_mm + axis * self._to_plane(entries_mm, axis, self.pivot_mm[1])[:, None]
        docked_mm = np.maximum(self._to_plane(pivot, axis, self.docked_dorsal_mm), 1.0)
        moved = replace(turned, docking_mm=pivot + docked_mm[:, None] * axis, pivot_distance_mm=docked_mm)
        others = [pivot + other_mm - self.pivots_mm[0] for other_mm in self.pivots_mm[1:]]
        pivots = np.stack([pivot, *others], axis=1)
        return with_depths(self.level, with_pivots(moved, pivots), range(len(self.plan.phases)))


def entry_variation_of(level: Level, plan: Approach) -> EntryVariation:
    """A plan made ready for varied entries."""
    return EntryVariation(level, plan, pivots_level_mm(table_of([plan]))[0])
