"""Several levels of one spine, one approach each: what they take together, and whether the shared arches bear it.

Two neighbours share a vertebra: the upper level's approach thins the cranial edge of its lamina, the lower level's the
caudal edge and the base of its spinous process. Each level's limits are held against the union of all removals, every
voxel counted once, and the bridge of lamina between two windows is a limit of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from canalwise.estimator.levels.freed_level import FreedLevel
from canalwise.estimator.levels.lamina_bridge import BridgeCheck, LaminaBridge, bridge_heights_mm
from canalwise.estimator.levels.rules import RULES
from canalwise.estimator.levels.united_removal import (
    UnitedRegion,
    UnitedRemoval,
    on_case,
    removal_on,
    share_on,
    united,
)
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Index3
from canalwise.recon.labels import SIDES, VERTEBRAE, label_of, sided, vertebra_number


@dataclass(frozen=True)
class VertebraLoss:
    """Bone lost by one vertebra to all approaches.

    Parameters
    ----------
    vertebra : its name
    levels : that take from it
    taken_mm3 : bone taken, every voxel once
    separate_mm3 : sum of what each level alone takes from it
    """

    vertebra: str
    levels: tuple[str, ...]
    taken_mm3: float
    separate_mm3: float

    @property
    def taken_by_both_mm3(self) -> float:
        """Bone that two levels both take."""
        return self.separate_mm3 - self.taken_mm3


@dataclass(frozen=True, eq=False)
class SeveralLevels:
    """Levels of one anatomy, each with its approach, cranial to caudal; each sum is computed when first needed."""

    found: tuple[FreedLevel, ...]

    @property
    def anatomy(self) -> Anatomy:
        """The spine."""
        return self.found[0].prepared.anatomy

    @property
    def shape(self) -> Index3:
        """Of the case's grid."""
        return self.anatomy.grid.shape

    @cached_property
    def together(self) -> UnitedRemoval:
        """All bone taken, once."""
        return united([one.resection.removal for one in self.found], self.shape)

    @cached_property
    def vertebrae(self) -> tuple[VertebraLoss, ...]:
        """Bone lost by each vertebra, cranial to caudal."""
        names = {v for one in self.found for v in (one.prepared.level.upper, one.prepared.level.lower)}
        return tuple(self._loss(name) for name in sorted(names, key=list(VERTEBRAE).index))

    def _loss(self, vertebra: str) -> VertebraLoss:
        taken = _of_vertebra(self.together.by_label_mm3, vertebra)
        alone = {
            one.prepared.level.name: _of_vertebra(one.resection.removal.by_label_mm3, vertebra) for one in self.found
        }
        levels = tuple(name for name, mm3 in alone.items() if mm3 > 0)
        return VertebraLoss(vertebra, levels, taken, float(sum(alone.values())))

    @cached_property
    def costs(self) -> tuple[Any, ...]:
        """Cost at each level when all are operated on."""
        region = UnitedRegion(tuple(one.resection.region for one in self.found))
        removals = [
            removal_on(one.resection.removal.level_bone, self.together, (level.upper, level.lower))
            for one, level in ((one, one.prepared.level) for one in self.found)
        ]
        return tuple(one.cost_with(removal, region) for one, removal in zip(self.found, removals, strict=True))

    @cached_property
    def bridges(self) -> tuple[LaminaBridge, ...]:
        """Of each lamina that lies between two of the levels, where their windows face each other."""
        pairs = [
            (above, below)
            for above in self.found
            for below in self.found
            if above.prepared.level.lower == below.prepared.level.upper
        ]
        every = [bridge for above, below in pairs for bridge in _bridges(above, below, self.shape)]
        return tuple(bridge for bridge in every if not np.isnan(bridge.bridge_mm))

    @cached_property
    def checks(self) -> tuple[tuple[Any, ...], ...]:
        """Every limit of each level, held against what all take together."""
        return tuple(one.checks_of(cost) for one, cost in zip(self.found, self.costs, strict=True))

    @cached_property
    def bridge_checks(self) -> tuple[BridgeCheck, ...]:
        """The limit of each bridge of lamina."""
        limit = RULES["lamina_bridge_mm"]
        return tuple(
            BridgeCheck(f"{b.vertebra} lamina {b.side} left between windows", b.bridge_mm, limit,
                       bool(b.bridge_mm >= limit.value) or b.bridge_mm >= b.before_mm)
            for b in self.bridges
        )  # fmt: skip

    @property
    def broken(self) -> tuple[str, ...]:
        """Names of the limits that are not kept, each with its level or vertebra."""
        of_levels = [
            f"{one.prepared.level.name} {check.name}"
            for one, checks in zip(self.found, self.checks, strict=True)
            for check in checks
            if check.met is False
        ]
        return (*of_levels, *(check.name for check in self.bridge_checks if check.met is False))

    @property
    def not_freed(self) -> tuple[str, ...]:
        """Levels that their approach does not free enough."""
        return tuple(one.prepared.level.name for one in self.found if not one.verdict.freed)

    @property
    def sentence(self) -> str:
        """Freed and kept, failure first."""
        freed = "frees every level" if not self.not_freed else f"does not free {', '.join(self.not_freed)}"
        kept = "all limits kept" if not self.broken else f"breaks {len(self.broken)}: {', '.join(self.broken)}"
        parts = (kept, freed) if self.broken and not self.not_freed else (freed, kept)
        text = "; ".join(parts)
        return text[0].upper() + text[1:]

    @property
    def good(self) -> bool:
        """Is every level freed and every limit kept?"""
        return not self.not_freed and not self.broken


def several_levels(found: Sequence[FreedLevel]) -> SeveralLevels:
    """Levels of one anatomy, put in order; WrongUse where one comes twice or none is given."""
    names = [one.prepared.level.name for one in found]
    if not names or len(set(names)) < len(names):
        raise WrongUse("levels", "must be one or more, each once", got=", ".join(names) or "none")
    order = list(VERTEBRAE)
    return SeveralLevels(tuple(sorted(found, key=lambda one: order.index(one.prepared.level.upper))))


def _of_vertebra(by_label_mm3: Mapping[int, float], vertebra: str) -> float:
    number = vertebra_number(vertebra)
    return float(sum(mm3 for label, mm3 in by_label_mm3.items() if label // 100 == number))


def _bridges(above: FreedLevel, below: FreedLevel, shape: Index3) -> list[LaminaBridge]:
    level, bone = below.prepared.level, below.resection.removal.level_bone
    taken = []
    for one in (above, below):
        removal = one.resection.removal
        taken.append(share_on(bone, on_case(removal.level_bone, removal.voxels, shape), removal.share, shape))
    found = []
    for side in SIDES:
        label = label_of(level.upper, sided("lamina", side))
        found.append(
            LaminaBridge(level.upper, side, *bridge_heights_mm(bone, level.frame, label, (taken[0], taken[1])))
        )
    return found
