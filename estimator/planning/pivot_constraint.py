"""Approaches turned about pivots that stay where they are, their depths following by the planner's own rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side, works_across
from canalwise.estimator.approach.table import ApproachTable, axes_level, pivots_level_mm, table_of
from canalwise.estimator.planning.default_approach import depths_mm
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Side


def repeated(approach: Approach, count: int) -> ApproachTable:
    """(count) rows of one approach.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> phases = (Phase("ipsilateral", 0.0), Phase("over the top", 20.0))
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 40.0, phases)
    >>> repeated(plan, 3).medial_deg.tolist()
    [[0.0, 20.0], [0.0, 20.0], [0.0, 20.0]]
    """
    return table_of([approach]).rows(np.zeros(count, dtype=np.intp))


def with_pivots(table: ApproachTable, pivots_mm: Float) -> ApproachTable:
    """The table with each phase's pivot at (A, P, 3) places of the level frame, whatever its tilts imply.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> phases = (Phase("ipsilateral", 0.0), Phase("over the top", 20.0))
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 40.0, phases)
    >>> pivots_level_mm(with_pivots(repeated(plan, 1), np.full((1, 2, 3), 30.0))).tolist()
    [[[30.0, 30.0, 30.0], [30.0, 30.0, 30.0]]]
    """
    implied = pivots_level_mm(table) - table.shift_mm
    return replace(table, shift_mm=pivots_mm - implied)


def one_phase(table: ApproachTable, phase: int) -> ApproachTable:
    """The table of one phase alone, by place, about the same pivots.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> phases = (Phase("ipsilateral", 0.0), Phase("over the top", 20.0))
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 40.0, phases)
    >>> one_phase(repeated(plan, 1), 1).phase_names
    ('over the top',)
    """
    only = slice(phase, phase + 1)
    names = ("medial_deg", "cranial_deg", "sweep_deg", "sleeve_past_mm", "tip_past_mm", "shift_mm")
    alone = {name: getattr(table, name)[:, only] for name in names}
    pivots = pivots_level_mm(table)[:, only]
    return with_pivots(replace(table, phase_names=table.phase_names[only], **alone), pivots)


def with_depths(level: Level, table: ApproachTable, phases: Sequence[int]) -> ApproachTable:
    """The table with the depths of some phases, by place, set as the planner sets them.

    The tool's end comes level with the deepest target of the phase's side; the scope is held its working distance
    short of that, the sleeve with it, but never short of the docking depth.

    Raises
    ------
    AnatomyNotFound : a side's targets are not in view
    """
    sleeve, tip = table.sleeve_past_mm.copy(), table.tip_past_mm.copy()
    axes, pivots = axes_level(table), pivots_level_mm(table)
    for p in phases:
        for side in SIDES:
            mine = table.from_left == (side == "left")
            if mine.any():
                on = other_side(side) if works_across(table.phase_names[p]) else side
                sleeve[mine, p], tip[mine, p] = depths_mm(
                    level, on, pivots[mine, p], axes[mine, p], table.working_distance_mm[mine],
                    table.pivot_distance_mm[mine],
                )  # fmt: skip
    return replace(table, sleeve_past_mm=sleeve, tip_past_mm=tip)


def aim_deg(side: Side, direction: Float) -> Float:
    """(..., 2) array: medial and cranial tilts of (..., 3) directions in the level frame.

    >>> aim_deg("right", np.array([1.0, -1.0, 0.0])).round(6).tolist()
    [45.0, 0.0]
    """
    toward_other_side = 1.0 if side == "right" else -1.0
    x, y, z = np.moveaxis(direction / np.linalg.norm(direction, axis=-1, keepdims=True), -1, 0)
    medial, cranial = np.arctan2(toward_other_side * x, -y), np.arcsin(np.clip(z, -1, 1))
    return np.asarray(np.degrees(np.stack([medial, cranial], axis=-1)))
