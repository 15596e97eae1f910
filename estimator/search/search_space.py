"""The spaces a search goes through, one for each side with each instrument: coordinates in [0, 1] to approaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from canalwise.estimator.approach.approach import Approach, axis_level
from canalwise.estimator.approach.instrument import Channel
from canalwise.estimator.approach.search_bounds import BOUNDS, ENTRY_LATERAL_MM
from canalwise.estimator.approach.table import pivots_level_mm, table_of
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.planning.default_approach import entered_approach
from canalwise.estimator.planning.docking import DockingMap, docking_map
from canalwise.estimator.search.search_task import SearchTask
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.image.skin import skin_point_mm
from canalwise.recon.labels import Mask, Side

DIMENSIONS = len(BOUNDS)


@dataclass(frozen=True, eq=False)
class SearchSpace:
    """All approaches within BOUNDS from one side with one instrument."""

    prepared: PreparedLevel
    side: Side
    channel: Channel

    @cached_property
    def docking(self) -> DockingMap:
        """Where its sleeve comes to rest."""
        prepared = self.prepared
        return docking_map(prepared.level, prepared.level_bone, self.side, self.channel.sleeve_radius_mm)

    @cached_property
    def ends(self) -> Float:
        """(2, D) array: the least and the greatest of each coordinate; no pivot lies outside the skin."""
        ends = np.array([[bound.low, bound.high] for bound in BOUNDS.values()]).T
        pivot = list(BOUNDS).index("pivot_distance_mm")
        ends[:, pivot] = np.minimum(ends[:, pivot], self._skin_depth_mm())
        return ends

    def _skin_depth_mm(self) -> float:
        anatomy, frame, docking = self.prepared.anatomy, self.prepared.level.frame, self.docking
        middle = docking.points_mm(np.array([docking.toward_side * docking.centre_mm[0]]), np.zeros(1))[0]
        start = frame.to_world_mm(middle)
        skin = skin_point_mm(anatomy.labels, anatomy.grid, start, frame.direction_ras(docking.normal))
        return np.inf if skin is None else float(np.linalg.norm(skin - start))

    def places_mm(self, unit: Float) -> tuple[Float, Float]:
        """(A, 3) docking points and (A, 3) pivots, level frame, at (A, D) coordinates."""
        if unit.ndim != 2 or unit.shape[1] != DIMENSIONS:
            raise WrongUse("'unit'", f"must have {DIMENSIONS} columns", got=unit.shape)
        low, high = self.ends
        lateral, cranial, distance, medial_deg, cranial_deg = (low + np.clip(unit, 0.0, 1.0) * (high - low)).T
        docking = self.docking.points_mm(lateral, cranial)
        axes = np.array([axis_level(self.side, m, c) for m, c in zip(medial_deg, cranial_deg, strict=True)])
        return docking, docking - distance[:, None] * axes.reshape(-1, 3)

    def enterable(self, unit: Float) -> Mask:
        """(A,) array: does the pivot lie within ENTRY_LATERAL_MM?"""
        lateral = self.docking.toward_side * self.places_mm(unit)[1][:, 0]
        return np.asarray((lateral >= ENTRY_LATERAL_MM.low) & (lateral <= ENTRY_LATERAL_MM.high))

    def approaches(self, unit: Float) -> list[Approach]:
        """The approaches at (A, D) coordinates, constructed as the planner constructs one."""
        docking, pivots = self.places_mm(unit)
        level = self.prepared.level
        return [entered_approach(level, self.side, d, p, self.channel) for d, p in zip(docking, pivots, strict=True)]

    def unit_of(self, plan: Approach) -> Float:
        """(D,) array: the coordinates of a plan of this side, as near as the bounds allow."""
        pivot, docking = pivots_level_mm(table_of([plan]))[0, 0], np.array(plan.docking_point_mm)
        direction = (docking - pivot) / np.linalg.norm(docking - pivot)
        across = -self.docking.toward_side
        values = np.array([
            self.docking.toward_side * docking[0], (docking - self.docking.centre_mm) @ self.docking.cranial,
            np.linalg.norm(docking - pivot),
            np.degrees(np.arctan2(across * direction[0], -direction[1])), np.degrees(np.arcsin(direction[2])),
        ])  # fmt: skip
        low, high = self.ends
        return np.clip((values - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)


def spaces_of(prepared: PreparedLevel, question: SearchTask) -> Sequence[tuple[str, SearchSpace]]:
    """Instrument and space of every side that can be docked on with every instrument.

    Raises
    ------
    AnatomyNotFound : no requested side can be docked on
    """
    sides = [side for side in question.sides if canal_entry_of(prepared.level, side) is not None]
    if not sides:
        raise AnatomyNotFound(
            f"interlaminar window {prepared.level.name}",
            "or the lamina edges must be in view on a requested side",
            do="Ask for the other side, or correct the labels of this level.",
        )
    return [(name, SearchSpace(prepared, side, channel))
            for side in sides for name, channel in question.instruments.items()]  # fmt: skip
