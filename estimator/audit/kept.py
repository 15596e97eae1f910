"""Structures kept by an operation: joints by three measures, pars, bridge and spinous base."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.audit.taken_bone import TakenBone
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.limits import Limit
from canalwise.estimator.outcome.base_bridge import base_bridge
from canalwise.estimator.removal.facet_preservation import FacetPreservation, facet_kept
from canalwise.estimator.removal.pars_and_spinous_base import BaseBridge, Pars, pars_of
from canalwise.estimator.removal.structure_names import by_structure
from canalwise.recon.labels import SIDES, Side


@dataclass(frozen=True)
class KeptLimit:
    """One limit held against what stayed; `met` is None where it could not be measured."""

    name: str
    value: float
    limit: Limit
    met: bool | None


@dataclass(frozen=True, eq=False)
class KeptStructures:
    """Structures kept and bone taken.

    Parameters
    ----------
    by_structure_mm3, share_of_structure : structure -> bone taken, and as a share of what was there
    facets, pars : by the patient's side
    base : of the upper vertebra
    """

    by_structure_mm3: Mapping[str, float]
    share_of_structure: Mapping[str, float]
    facets: Mapping[Side, FacetPreservation]
    pars: Mapping[Side, Pars]
    base: BaseBridge


def kept_structures(prepared: PreparedLevel, taken: TakenBone, side: Side) -> KeptStructures:
    """Structures that an operation kept; structures are named for an approach from `side`."""
    level, removal = prepared.level, taken.removal
    lost = by_structure(level, side, removal.by_label_mm3)
    whole = by_structure(level, side, removal.level_bone.whole_by_label_mm3)
    weak = prepared.pars_and_base_samples
    return KeptStructures(
        lost,
        {name: lost[name] / whole[name] if whole[name] > 0 else float("nan") for name in lost},
        {s: facet_kept(level, s, taken.region, removal) for s in level.joints},
        {s: pars_of(weak.pars[s], removal) for s in SIDES},
        base_bridge(weak.base, removal),
    )


def kept_limits(prepared: PreparedLevel, kept: KeptStructures) -> tuple[KeptLimit, ...]:
    """The limits of a plan held against what an operation left; by the patient's side."""
    limits, found = prepared.limits.records, []
    for side, facet in kept.facets.items():
        found.append(_least(f"{side} facet area kept", facet.area_frac, limits["facet_area_kept_frac"]))
        found.append(_least(f"{side} facet width kept", facet.width_frac, limits["facet_width_kept_frac"]))
    for side, pars in kept.pars.items():
        untouched = pars.residual_mm >= pars.before_mm
        limit = limits["pars_residual_mm"]
        found.append(_least(f"{side} pars width remaining", pars.residual_mm, limit, untouched))
    found.append(_least("spinous base bridge remaining", kept.base.bridge_mm, limits["spinous_bridge_mm"]))
    undercut, most = kept.base.undercut_frac, limits["spinous_undercut_frac"]
    met = None if np.isnan(undercut) else bool(undercut <= most.value)
    return (*found, KeptLimit("spinous base undercut", undercut, most, met))


def _least(name: str, value: float, limit: Limit, untouched: bool = False) -> KeptLimit:
    """A least value held; what was thin before and lost nothing is the patient's, not the operation's."""
    return KeptLimit(name, value, limit, None if np.isnan(value) else bool(value >= limit.value) or untouched)
