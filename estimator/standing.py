"""How many approaches at a time stand against the limits, and what they reach of what is asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from estimator.approach_table import ApproachTable, pivots_level_mm
from estimator.asked import AskedLevel
from estimator.batch import Outcomes
from estimator.search_bounds import ENTRY_LATERAL_MM
from recon.grid import Float
from recon.labels import SIDES, Mask

GUARD = {
    "facet_area_kept_frac": 0.01,
    "facet_width_kept_frac": 0.02,
    "pars_residual_mm": 0.25,
    "spinous_undercut_frac": 0.005,
    "spinous_bridge_mm": 0.25,
    "lateral_removal_mm": 0.5,
}
"""The batch counts bone by cells: it is asked to stay this much inside each limit, so that the exact estimate keeps
it too (about three times the largest differences seen between the two)."""


@dataclass(frozen=True, eq=False)
class Standing:
    """What a search weighs of A approaches.

    Parameters
    ----------
    bone_mm3 : (A,) array
    reach_frac : (A,) array, mean over the asked sets in view of the share touched
    facet_frac : (A,) array, the least that stays of a joint, surface or width, either side; 1 where none is in view
    broken : (A,) array, by how much limits are broken, each as a share of itself, summed; 0 where all are kept
    """

    bone_mm3: Float
    reach_frac: Float
    facet_frac: Float
    broken: Float

    def rows(self, which: Mask | slice) -> Standing:
        """Those of some of the approaches."""
        return Standing(self.bone_mm3[which], self.reach_frac[which], self.facet_frac[which], self.broken[which])

    @property
    def kept(self) -> Mask:
        """(A,) array: are all limits kept?"""
        return np.asarray(self.broken == 0.0)


def standing_of(asked: AskedLevel, table: ApproachTable, found: Outcomes, guarded: bool = True) -> Standing:
    """How approaches stand whose outcomes on an asked level are known.

    Parameters
    ----------
    guarded : hold the limits by GUARD more strictly than they are
    """
    guard = GUARD if guarded else dict.fromkeys(GUARD, 0.0)
    broken = _broken(asked, found, guard).sum(axis=1) + _outside_entry(asked, table)
    facets = np.nan_to_num(np.concatenate([found.facet_area_frac, found.facet_width_frac], axis=1), nan=1.0)
    return Standing(found.taken.bone_mm3, reach_frac(asked, found), facets.min(axis=1), broken)


def set_shares(asked: AskedLevel, found: Outcomes) -> Float:
    """(A, S) array: share touched of each asked set."""
    return np.asarray(found.reached_frac[:, asked.side_of_set, np.arange(len(asked.asked_mm))])


def reach_frac(asked: AskedLevel, found: Outcomes) -> Float:
    """(A,) array: mean over the asked sets of the share touched."""
    return np.asarray(set_shares(asked, found).mean(axis=1))


def _broken(asked: AskedLevel, found: Outcomes, guard: dict[str, float]) -> Float:
    """(A, K) array: by how much each limit is broken, as a share of it; what could not be measured breaks none."""
    limits, places = asked.limits, asked.weak_places.pars
    before = np.array([np.nan if (part := places[side]) is None else part.width_before_mm for side in SIDES])
    pars_limit = limits.value("pars_residual_mm") + guard["pars_residual_mm"]
    # as in the verdicts: a pars that was thin before and loses nothing is the patient's, not the plan's
    pars = np.where(found.pars_mm >= before, np.maximum(found.pars_mm, pars_limit), found.pars_mm)
    at_least = {
        "facet_area_kept_frac": found.facet_area_frac,
        "facet_width_kept_frac": found.facet_width_frac,
        "pars_residual_mm": pars,
        "spinous_bridge_mm": found.bridge_mm[:, None],
    }
    at_most = {
        "spinous_undercut_frac": found.undercut_frac[:, None],
        "lateral_removal_mm": found.taken.lateral_mm[:, None],
    }
    short = [(limits.value(n) + guard[n] - value) / limits.value(n) for n, value in at_least.items()]
    over = [(value - limits.value(n) + guard[n]) / limits.value(n) for n, value in at_most.items()]
    return np.nan_to_num(np.maximum(np.concatenate([*short, *over], axis=1), 0.0), nan=0.0)


def _outside_entry(asked: AskedLevel, table: ApproachTable) -> Float:
    """(A,) array: how far pivots lie outside ENTRY_LATERAL_MM, as a share of its width."""
    lateral = pivots_level_mm(table)[:, :, 0] * (1.0 if asked.side == "left" else -1.0)
    bound = ENTRY_LATERAL_MM
    outside = np.maximum(np.maximum(bound.low - lateral, lateral - bound.high), 0.0)
    return np.asarray(outside.sum(axis=1) / (bound.high - bound.low))
