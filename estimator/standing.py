"""How many approaches at a time stand against the limits, and what they reach of what is asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from estimator.approach_table import ApproachTable, pivots_level_mm
from estimator.asked import AskedLevel
from estimator.batch import Outcomes
from estimator.search_bounds import ENTRY_LATERAL_MM
from estimator.told import ENOUGH_FRAC, margins_frac, pars_before_mm, told_of
from recon.grid import Float
from recon.labels import Mask

SHARE_TOL = 1e-9
"""Rounding of a share of points."""

PARS_LEFT = "pars width left"

GUARD = {
    "facet area kept": 0.02,
    "facet width kept": 0.04,
    PARS_LEFT: 0.0,
    "spinous base undercut": 0.01,
    "spinous base bridge left": 0.08,
    "bone taken from the midline": 0.025,
}
"""The batch counts bone by cells: it is asked to stay inside each limit by this share of it, so that the exact estimate
keeps it too (about three times the largest differences seen between the two). Of a pars both count the same samples."""


@dataclass(frozen=True, eq=False)
class Standing:
    """What a search weighs of A approaches.

    Parameters
    ----------
    bone_mm3 : (A,) array
    reach_frac : (A,) array, mean over the asked sets in view of the share touched
    missed_frac : (A,) array, by how much the asked sets fall short of ENOUGH_FRAC, summed; 0 where all are reached
    facet_frac : (A,) array, the least that stays of a joint, surface or width, either side; 1 where none is in view
    broken : (A,) array, by how much limits are broken, each as a share of itself, summed; 0 where all are kept
    """

    bone_mm3: Float
    reach_frac: Float
    missed_frac: Float
    facet_frac: Float
    broken: Float

    def rows(self, which: Mask | slice) -> Standing:
        """Those of some of the approaches."""
        return Standing(*(getattr(self, field.name)[which] for field in fields(self)))

    @property
    def kept(self) -> Mask:
        """(A,) array: are all limits kept?"""
        return np.asarray(self.broken == 0.0)


def joined_standing(many: Sequence[Standing]) -> Standing:
    """One after the other; of none an empty one."""
    columns = [field.name for field in fields(Standing)]
    return Standing(*(np.concatenate([np.empty(0), *(getattr(one, name) for one in many)]) for name in columns))


def standing_of(asked: AskedLevel, table: ApproachTable, found: Outcomes, guarded: bool = True) -> Standing:
    """How approaches stand whose outcomes on an asked level are known.

    Parameters
    ----------
    guarded : hold the limits by GUARD more strictly than they are
    """
    broken = _broken(asked, found, guarded) + _outside_entry(asked, table)
    facets = np.nan_to_num(np.concatenate([found.facet_area_frac, found.facet_width_frac], axis=1), nan=1.0)
    shares = set_shares(asked, found)
    missed = np.maximum(ENOUGH_FRAC - SHARE_TOL - shares, 0.0).sum(axis=1)
    return Standing(found.taken.bone_mm3, shares.mean(axis=1), missed, facets.min(axis=1), broken)


def set_shares(asked: AskedLevel, found: Outcomes) -> Float:
    """(A, S) array: share touched of each asked set."""
    return np.asarray(found.reached_frac[:, asked.side_of_set, np.arange(len(asked.asked_mm))])


def _broken(asked: AskedLevel, found: Outcomes, guarded: bool) -> Float:
    """(A,) array: by how much limits are broken, each as a share of it; what could not be measured breaks none."""
    told, limits = told_of(asked, asked.side, found), asked.limits
    margins = margins_frac(told, limits, pars_before_mm(asked, asked.side))
    short = np.zeros(len(told))
    for name, margin in margins.items():
        guard = next(mm for part, mm in GUARD.items() if name.endswith(part)) if guarded else 0.0
        short += np.nan_to_num(np.maximum(guard - margin, 0.0), nan=0.0)
    return short


def _outside_entry(asked: AskedLevel, table: ApproachTable) -> Float:
    """(A,) array: how far pivots lie outside ENTRY_LATERAL_MM, as a share of its width."""
    lateral = pivots_level_mm(table)[:, :, 0] * (1.0 if asked.side == "left" else -1.0)
    bound = ENTRY_LATERAL_MM
    outside = np.maximum(np.maximum(bound.low - lateral, lateral - bound.high), 0.0)
    return np.asarray(outside.sum(axis=1) / (bound.high - bound.low))
