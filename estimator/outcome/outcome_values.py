"""Outcome of a resection as values: freed areas, cost, limits and verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from canalwise.estimator.limit_rules import LimitRule
from canalwise.estimator.limits import Limit
from canalwise.estimator.removal.facet_preservation import FacetPreservation
from canalwise.estimator.removal.pars_and_spinous_base import BaseBridge, Pars
from canalwise.recon.grid import Float
from canalwise.recon.labels import Side

RELEASED_FRAC = 0.9
"""An insertion is released when this share of its part of the set is taken (choice)."""


@dataclass(frozen=True, eq=False)
class StationAreas:
    """Areas at S stations, mm2, cranial first; `sac_after_mm2` is how much of the unpressed sac's section is free."""

    z_mm: Float
    before_mm2: Float
    needed_mm2: Float
    after_mm2: Float
    bony_canal_mm2: Float
    sac_before_mm2: Float
    sac_needed_mm2: Float
    sac_after_mm2: Float


@dataclass(frozen=True, eq=False)
class Freed:
    """Freed areas and shares.

    Parameters
    ----------
    share : of the set's volume that is taken, NaN where nothing stands in the room
    by_side : side of the patient -> share
    by_kind : 'ligament', 'calcification', 'bony overhang' -> share, NaN where there is none
    insertions : 'cranial', 'caudal' -> share of the set near that end that is taken
    areas : at every station
    at_disc : the station at the disc's mid-plane
    root_room_mm : side -> least free height of the traversing root's corridor; NaN without a corridor
    root_room_before_mm : the same before
    sac_seen : was the dural sac seen, not modelled?
    """

    share: float
    by_side: Mapping[Side, float]
    by_kind: Mapping[str, float]
    insertions: Mapping[str, float]
    areas: StationAreas
    at_disc: int
    root_room_mm: Mapping[Side, float]
    root_room_before_mm: Mapping[Side, float]
    sac_seen: bool

    def released(self, end: str) -> bool:
        """Is the ligament's insertion at that end released?"""
        return bool(self.insertions[end] >= RELEASED_FRAC)


@dataclass(frozen=True)
class FarReach:
    """How far across tissue is taken, mm from the midline, continuous in the plan, and what stops the next of it.

    Parameters
    ----------
    lateral_mm : of all tissue of the far side that is taken, 0 where none is
    at_disc_mm : the same at the disc's mid-plane
    limited_by : what stops the next tissue further out
    next_mm : (x, y, z), level frame, of that tissue; None where all is taken
    """

    lateral_mm: float
    at_disc_mm: float
    limited_by: str
    next_mm: tuple[float, float, float] | None


@dataclass(frozen=True, eq=False)
class ResectionCost:
    """Parameters
    ----------
    by_structure_mm3, share_of_structure : structure -> bone taken, and as a share of what was there
    facets, pars : by the patient's side; joints not in view or not resolved are missing
    base : the upper vertebra's spinous base
    contact_mm3 : bone of the spinous processes that sleeve and scope press on
    lateral_mm : greatest distance from the midline of bone mostly taken
    """

    by_structure_mm3: Mapping[str, float]
    share_of_structure: Mapping[str, float]
    facets: Mapping[Side, FacetPreservation]
    pars: Mapping[Side, Pars]
    base: BaseBridge
    contact_mm3: float
    lateral_mm: float

    @property
    def total_mm3(self) -> float:
        """All bone taken."""
        return float(sum(self.by_structure_mm3.values()))


@dataclass(frozen=True)
class LimitCheck:
    """One limit held against one number of a resection.

    Parameters
    ----------
    quantity : name of the number (`estimator.execution.resection_numbers`); the patient's side stands before it
    rule : from which side the limit bounds it
    met : None where the number could not be measured
    untouched : is it as it was before, so that whatever it measures is the patient's and not the plan's?
    """

    name: str
    quantity: str
    value: float
    limit: Limit
    rule: LimitRule
    met: bool | None
    untouched: bool = False


@dataclass(frozen=True)
class DecompressionVerdict:
    """Parameters
    ----------
    freed : does each side reach the required share?
    kept : is every limit that could be measured kept?
    sentence : what a surgeon must hear first
    """

    freed: bool
    kept: bool
    sentence: str


def freed_percent(share: float, enough_frac: float) -> str:
    """Whole percent as in the tables, but what is short of enough never reads as enough.

    >>> freed_percent(0.899, 0.9), freed_percent(0.7296, 0.9)
    ('89 %', '73 %')
    """
    whole = round(100 * share)
    return f"{whole - 1 if share < enough_frac <= whole / 100 else whole} %"
