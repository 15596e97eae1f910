"""The headline numbers of a resection by name, and what each can be at all."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.outcome.outcome_values import FarReach, Freed, LimitCheck, ResectionCost
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.labels import SIDES

BONE_MM3, FREED, REACH = "bone_mm3", "freed", "reach_mm"
LEAST_AREA, DISC_AREA = "least area_mm2", "area at disc_mm2"
LATERAL, BRIDGE, UNDERCUT = "lateral_removal_mm", "bridge_mm", "undercut_frac"
FACET_SHARES = ("area_frac", "width_frac", "volume_frac")

Bounds = tuple[float, float]
"""(least, most) that a number can be."""


class WorkedOut(Protocol):
    """A resection and all that it comes to, such as `estimator.outcome.decompressed.DecompressedLevel`."""

    @property
    def prepared(self) -> PreparedLevel:
        """The level."""

    @property
    def resection(self) -> Resection:
        """What goes."""

    @property
    def freed(self) -> Freed:
        """What is freed."""

    @property
    def reach(self) -> FarReach:
        """How far across."""

    @property
    def cost(self) -> ResectionCost:
        """What goes and what stays."""

    @property
    def checks(self) -> tuple[LimitCheck, ...]:
        """Every limit held against it."""


def bone_of_structure(name: str) -> str:
    """The name of the bone taken from a structure.

    >>> bone_of_structure("upper lamina ipsilateral")
    'upper lamina ipsilateral, mm3'
    """
    return f"{name}, mm3"


def share_of_structure(name: str) -> str:
    """The name of the share taken of a structure.

    >>> share_of_structure("upper lamina ipsilateral")
    'upper lamina ipsilateral, frac'
    """
    return f"{name}, frac"


def numbers_of(cost: ResectionCost, freed: Freed, reach: FarReach) -> dict[str, float]:
    """Name -> number; those of a side of the patient begin with it. NaN where there is none."""
    found = {
        BONE_MM3: cost.total_mm3,
        FREED: freed.share,
        LEAST_AREA: float(freed.areas.after_mm2.min()),
        DISC_AREA: float(freed.areas.after_mm2[freed.at_disc]),
        REACH: reach.lateral_mm,
        BRIDGE: cost.base.bridge_mm,
        UNDERCUT: cost.base.undercut_frac,
        LATERAL: cost.lateral_mm,
    }
    found |= {bone_of_structure(name): mm3 for name, mm3 in cost.by_structure_mm3.items()}
    found |= {share_of_structure(name): share for name, share in cost.share_of_structure.items()}
    for side in SIDES:
        found |= {f"{side} {FREED}": freed.by_side[side], f"{side} root_mm": freed.root_room_mm[side]}
        found[f"{side} pars_mm"] = cost.pars[side].residual_mm
    for side, kept in cost.facets.items():
        found |= {f"{side} {share}": getattr(kept, share) for share in FACET_SHARES}
    return found


def bounds_of(found: WorkedOut) -> dict[str, Bounds]:
    """Name -> what the number can be: shares 0 to 1, bone no more than there is, areas no more than the bony canal."""
    cost, freed, at = found.cost, found.freed, found.resection.at
    shares = {name for name in numbers_of(cost, freed, found.reach) if name.endswith(("frac", FREED))}
    areas, none = freed.areas, float("inf")
    bounds: dict[str, Bounds] = {
        name: (0.0, 1.0 if name in shares else none) for name in numbers_of(cost, freed, found.reach)
    }
    for name, mm3 in cost.by_structure_mm3.items():
        share = cost.share_of_structure[name]
        # NaN where the structure is not there: then nothing of it is taken either
        bounds[bone_of_structure(name)] = (0.0, mm3 / share if share > 0 else none)
    bounds[LEAST_AREA] = (0.0, float(areas.bony_canal_mm2.min()))
    bounds[DISC_AREA] = (0.0, float(areas.bony_canal_mm2[freed.at_disc]))
    for side in SIDES:
        bounds[f"{side} root_mm"] = (0.0, 2 * at.rules.value("corridor_radius_mm"))
    return {name: (least, none if np.isnan(most) else most) for name, (least, most) in bounds.items()}
