"""A plan of several levels: sides compared, the best of them, and one skin entry for neighbours where it serves."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from canalwise.estimator.approach.approach import Approach, placed_phases
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.levels.freed_level import Free, FreedLevel
from canalwise.estimator.levels.rules import rule
from canalwise.estimator.levels.several_levels import SeveralLevels, several_levels
from canalwise.estimator.levels.shared_entry import SharedEntry, shared_entry
from canalwise.estimator.levels.side_patterns import order_of, side_patterns
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection_level import ResectionLevel
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import AnatomyNotFound, WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.image.skin import skin_point_mm
from canalwise.recon.labels import VERTEBRAE, Side, level_vertebrae

GIVEN = "as given"
"""Name of the pattern of plans that were given for every level, or from sides that no other pattern has."""

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class SharedPair:
    """Two neighbours through one skin entry, against an entry each.

    Parameters
    ----------
    levels : cranial and caudal
    entry : what was found
    shared, separate : the two levels together, in either form
    skin_apart_mm : how far apart the two channels pass the skin; NaN where no skin is in view
    """

    levels: tuple[str, str]
    entry: SharedEntry
    shared: SeveralLevels
    separate: SeveralLevels
    skin_apart_mm: float

    @property
    def serves(self) -> bool:
        """Does one entry free both levels within limits that separate entries keep too, through one incision?"""
        as_kept = set(self.shared.broken) <= set(self.separate.broken)
        through_one = not self.skin_apart_mm > rule("incision_mm")
        return not self.shared.not_freed and as_kept and through_one and self.entry.best.serves

    @property
    def more_bone_mm3(self) -> float:
        """Bone that one entry takes more than two, mm3."""
        return self.shared.together.total_mm3 - self.separate.together.total_mm3


@dataclass(frozen=True, eq=False)
class LevelsPlan:
    """Parameters
    ----------
    patterns : name -> all levels together, for each pattern of sides
    chosen : the pattern to carry to theatre
    order : of the operation
    pairs : neighbours that are approached from one side in the chosen pattern
    """

    patterns: Mapping[str, SeveralLevels]
    chosen: str
    order: tuple[str, ...]
    pairs: tuple[SharedPair, ...] = field(default_factory=tuple)

    @property
    def best(self) -> SeveralLevels:
        """The chosen pattern."""
        return self.patterns[self.chosen]


class PreparedLevels:
    """The levels of an anatomy made ready, and what each plan frees there, each found once."""

    def __init__(self, anatomy: Anatomy, names: Sequence[str], free: Free) -> None:
        self.anatomy, self._free = anatomy, free
        self.prepared: dict[str, PreparedLevel] = {name: prepared_level(anatomy, name) for name in names}
        self.at = {
            name: ResectionLevel(anatomy, one.level, one.level_bone, one.sac) for name, one in self.prepared.items()
        }
        self._found: dict[Approach, FreedLevel] = {}

    def found(self, plan: Approach) -> FreedLevel:
        """What a plan frees."""
        if plan not in self._found:
            self._found[plan] = self._free(self.prepared[plan.level], plan, self.at[plan.level])
        return self._found[plan]


def levels_plan(
    anatomy: Anatomy,
    names: Sequence[str],
    free: Free,
    *,
    side: Side | None = None,
    plans: Mapping[str, Approach] | None = None,
    share: bool = True,
    progress: Progress = lambda _: None,
) -> LevelsPlan:
    """A plan of several levels.

    Parameters
    ----------
    names : such as 'L3-L4'; neighbours or not
    free : works one level out, `estimator.outcome.decompressed.decompressed`
    side : all from this side; both sides and turns are compared where left out
    plans : level -> approach to use there; the usual start for others
    share : look for one skin entry for neighbours

    Raises
    ------
    WrongUse : a level twice, a plan of a level that is not among them
    LevelNotInView, AnatomyNotFound : as `estimator.planning.default_approach.default_approach`
    """
    ordered, given = ordered_levels(names), dict(plans or {})
    if strange := sorted(set(given) - set(ordered)):
        raise WrongUse("a plan", "must be of one of the levels", got=", ".join(strange))
    ready = PreparedLevels(anatomy, ordered, free)
    patterns: dict[str, SeveralLevels] = {}
    missing: AnatomyNotFound | None = None
    for name, sides in _patterns(ordered, side, given).items():
        progress(name)
        try:
            wanted = [given.get(n) or default_approach(anatomy, n, s) for n, s in zip(ordered, sides, strict=True)]
            patterns[name] = several_levels([ready.found(plan) for plan in wanted])
        except AnatomyNotFound as problem:
            # one side of a level that is not in view leaves the other
            missing = missing or problem
    if not patterns and missing is not None:
        raise missing
    chosen = min(patterns, key=lambda name: preference(patterns[name]))
    best = patterns[chosen]
    order = order_of({one.prepared.level.name: tightness(one) for one in best.found})
    pairs = tuple(_shared_pairs(ready, best, progress)) if share else ()
    return LevelsPlan(patterns, chosen, order, pairs)


def ordered_levels(names: Sequence[str]) -> list[str]:
    """The levels cranial to caudal; raises WrongUse where one is none or comes twice.

    >>> ordered_levels(["L4-L5", "L3-L4"])
    ['L3-L4', 'L4-L5']
    """
    if not names or len(set(names)) < len(names):
        raise WrongUse("--levels", "must name one or more levels, each once", got=", ".join(names) or "none")
    order = list(VERTEBRAE)
    return sorted(names, key=lambda name: order.index(level_vertebrae(name)[0]))


def preference(levels: SeveralLevels) -> tuple[int, int, float]:
    """Less is better: levels not freed, limits broken, bone."""
    return len(levels.not_freed), len(levels.broken), levels.together.total_mm3


def tightness(found: FreedLevel) -> float:
    """Free area where it is least before, as a share of what is needed there."""
    areas = found.freed.areas
    share = areas.before_mm2 / np.maximum(areas.needed_mm2, 1e-9)
    return float(share.min())


def _patterns(names: Sequence[str], side: Side | None, given: Mapping[str, Approach]) -> dict[str, tuple[Side, ...]]:
    """The patterns of sides that agree with the plans given."""
    every = side_patterns(names) if side is None else {f"all from the {side}": (side,) * len(names)}
    fixed = {name: plan.side for name, plan in given.items()}
    agreeing = {
        pattern: sides
        for pattern, sides in every.items()
        if all(fixed.get(name, s) == s for name, s in zip(names, sides, strict=True))
    }
    if not agreeing or set(given) == set(names):
        others: Side = next(iter(fixed.values())) if side is None else side
        return {GIVEN: tuple(fixed.get(name, others) for name in names)}
    return agreeing


def _shared_pairs(ready: PreparedLevels, best: SeveralLevels, progress: Progress) -> Iterator[SharedPair]:
    for above, below in zip(best.found, best.found[1:], strict=False):
        names = (above.prepared.level.name, below.prepared.level.name)
        own = (above.resection.approach, below.resection.approach)
        if above.prepared.level.lower != below.prepared.level.upper or own[0].side != own[1].side:
            continue
        progress(f"one entry for {' and '.join(names)}")
        entry = shared_entry([ready.at[name] for name in names], own)
        shared = several_levels([ready.found(plan) for plan in entry.best.plans])
        apart = skin_apart_mm(ready.anatomy, ready.prepared, entry.best.plans)
        yield SharedPair(names, entry, shared, several_levels((above, below)), apart)


def skin_apart_mm(anatomy: Anatomy, prepared: Mapping[str, PreparedLevel], plans: Sequence[Approach]) -> float:
    """Distance between the skin entries of two plans, mm; NaN where skin is not in view."""
    points = [skin_ras_mm(anatomy, prepared[plan.level], plan) for plan in plans]
    return float(np.linalg.norm(points[0] - points[1]))


def skin_ras_mm(anatomy: Anatomy, prepared: PreparedLevel, plan: Approach) -> Float:
    """(3,) array, RAS: where the first axis of a plan passes the skin; NaN where none is in view."""
    phase = placed_phases(plan, prepared.level.frame)[0]
    docked = phase.pivot_ras_mm + plan.pivot_distance_mm * phase.axis_ras
    skin = skin_point_mm(anatomy.labels, anatomy.grid, docked, -phase.axis_ras, shows_air=prepared.air_in_view)
    return np.full(3, np.nan) if skin is None else np.asarray(skin)
