"""Numbers of a row of plans from one side as columns that charts draw, each an exact estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.outcome.plan_values import PlanNumbers
from canalwise.estimator.removal.structure_names import OTHER
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

RELATIONS = ("ipsilateral", "contralateral")


@dataclass(frozen=True, eq=False)
class ChartNumbers:
    """A plans; every array is (A,), NaN where not in view.

    Parameters
    ----------
    freed_frac : relation -> share of what presses on that side that is freed; first, for without it nothing else counts
    least_area_mm2 : 'before', 'needed', 'after' -> least free canal over the stations
    bone_mm3, structure_mm3 : bone of the resection, and by structure, summing to it; weighted_mm3 at its price
    facet_area_frac, facet_width_frac, pars_mm : relation -> what stays
    undercut_frac, bridge_mm : of the spinous base; lateral_removal_mm : farthest bone taken from the midline
    reach_mm : how far across tissue is taken
    freed, kept : enough freed on both sides; all limits kept that were measured
    broken : the first limit that is broken, "" where none is
    """

    freed_frac: dict[str, Float]
    least_area_mm2: dict[str, Float]
    bone_mm3: Float
    structure_mm3: dict[str, Float]
    weighted_mm3: Float
    facet_area_frac: dict[str, Float]
    facet_width_frac: dict[str, Float]
    pars_mm: dict[str, Float]
    undercut_frac: Float
    bridge_mm: Float
    lateral_removal_mm: Float
    reach_mm: Float
    freed: npt.NDArray[np.bool_]
    kept: npt.NDArray[np.bool_]
    broken: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.bone_mm3)

    @property
    def feasible(self) -> npt.NDArray[np.bool_]:
        """(A,) array: freed and kept?"""
        return np.asarray(self.freed & self.kept)

    @property
    def least_freed_frac(self) -> Float:
        """(A,) array: share freed on the side that is freed less; 1 where nothing presses."""
        return np.asarray(np.nan_to_num(np.stack([*self.freed_frac.values()]), nan=1.0).min(axis=0))


def chart_numbers(many: Sequence[PlanNumbers], side: Side) -> ChartNumbers:
    """Columns of plans that all come from one side."""
    sides = dict(zip(RELATIONS, (side, other_side(side)), strict=True))

    def column(name: str) -> Float:
        return np.array([getattr(one, name) for one in many], dtype=float)

    def by_relation(name: str) -> dict[str, Float]:
        return {
            relation: np.array([getattr(one, name).get(s, np.nan) for one in many], dtype=float)
            for relation, s in sides.items()
        }

    names = list(dict.fromkeys(name for one in many for name in one.by_structure_mm3)) or [OTHER]
    return ChartNumbers(
        freed_frac=by_relation("freed_by_side"),
        least_area_mm2={name: np.array([one.least_area_mm2[name] for one in many], dtype=float)
                        for name in ("before", "needed", "after")},
        bone_mm3=column("bone_mm3"),
        structure_mm3={name: np.array([one.by_structure_mm3[name] for one in many], dtype=float) for name in names},
        weighted_mm3=column("weighted_mm3"),
        facet_area_frac=by_relation("facet_area_frac"),
        facet_width_frac=by_relation("facet_width_frac"),
        pars_mm=by_relation("pars_mm"),
        undercut_frac=column("undercut_frac"),
        bridge_mm=column("bridge_mm"),
        lateral_removal_mm=column("lateral_mm"),
        reach_mm=column("reach_mm"),
        freed=np.array([one.verdict.freed for one in many], dtype=bool),
        kept=np.array([one.verdict.kept for one in many], dtype=bool),
        broken=tuple((one.broken or ("",))[0] for one in many),
    )  # fmt: skip


def runs(flags: Sequence[bool] | npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each unbroken run of True.

    >>> runs([True, False, True, True])
    [(0, 0), (2, 3)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(flags, dtype=int), [0]])))
    return [(int(start), int(end) - 1) for start, end in edges.reshape(-1, 2)]


def wanted_words(enough_frac: float) -> str:
    """What a chart's shaded band has, for people.

    >>> wanted_words(0.9)
    'at least 90 % of what presses freed on each side'
    """
    return f"at least {100 * enough_frac:.0f} % of what presses freed on each side"
