"""Placeholders of lesson texts: facts about a plan by name, in words, computed from the plan's estimate."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial

import numpy as np

from canalwise.estimator.approach.approach import PHASE_RELATION, Phase, other_side
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.estimator.estimate.first_limit import WIDEST_DEG, FirstLimit, first_limit
from canalwise.estimator.level.target_names import FROM_TARGETS
from canalwise.estimator.limit_rules import RELATIONS
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed
from canalwise.estimator.planning.canal_entry import canal_entry_of
from canalwise.estimator.planning.clock_positions import FAR_SIGHTS, NEAR_SIGHTS, far_clock, near_clock
from canalwise.estimator.removal.reach import ALL_TOUCHED, Reach
from canalwise.estimator.removal.structure_names import OTHER, by_structure, structures_of
from canalwise.recon.anatomy import Level, Window
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.labels import Side
from canalwise.workbench.style.phrases import (
    amount,
    clock_words,
    cranial_tilt_words,
    cranial_words,
    lateral_words,
    medial_tilt_words,
    offset_words,
    percent,
)

NOT_IN_VIEW = "(not in view here)"
HELD_BACK = "(a question asks this)"

CAUSES = {
    "sac": "the dural sac",
    "sweep": "the sweep, which goes no further",
    "working length": "the working length of the instrument",
    "tool diameter": "the tool's diameter",
    "protected bone": "bone that must stay",
    "facet limit": "the limit on the far facet joint",
    "spinous base": "the limit on the spinous base",
    ALL_TOUCHED: "nothing: every target is touched",
}
"""What stops the reach, as `estimator.removal.reach` has it -> as a trainee reads it."""


PLANS_KEPT = 6
"""Plans whose resections are kept: those a trainee goes back and forth between."""


@lru_cache(PLANS_KEPT)
def decompressed_by(estimate: Estimate) -> DecompressedLevel | None:
    """What an estimate's approach frees; None where no sac or no ligament is known there."""
    try:
        return decompressed(estimate.prepared, estimate.approach)
    except AnatomyNotFound:
        return None


@dataclass(frozen=True, eq=False)
class PlanFacts:
    """Facts about one plan; each number is computed when it is first used."""

    estimate: Estimate

    @property
    def side(self) -> Side:
        """The side of the approach."""
        return self.estimate.approach.side

    @property
    def level(self) -> Level:
        """The level."""
        return self.estimate.level

    def patient_side(self, relation: str) -> Side:
        """The patient's side that is ipsilateral or contralateral to the approach."""
        return self.side if relation == "ipsilateral" else other_side(self.side)

    @cached_property
    def near_hours(self) -> dict[str, float]:
        """Clock positions about the window's centre; empty where the canal entry is not in view."""
        try:
            return near_clock(self.estimate.prepared, self.estimate.approach)
        except AnatomyNotFound:
            return {}

    @cached_property
    def far_hours(self) -> dict[str, float]:
        """What is seen along the channel over the top."""
        return far_clock(self.estimate.prepared, self.estimate.approach)

    @property
    def decompressed(self) -> DecompressedLevel | None:
        """What the plan frees and what that takes; None where that cannot be said of the level."""
        return decompressed_by(self.estimate)

    @cached_property
    def task_mm3(self) -> dict[str, float]:
        """Structure -> bone that must go to free the level; 'total' last.

        Where it cannot be said what is to be freed, the bone that must go to touch the task's targets.
        """
        found = self.decompressed
        removal = self.estimate.task.removal if found is None else found.resection.removal
        return self._by_structure(removal.by_label_mm3)

    @cached_property
    def sweep_mm3(self) -> dict[str, float]:
        """The same, taken by the whole sweep."""
        return self._by_structure(self.estimate.cone.removal.by_label_mm3)

    def _by_structure(self, by_label: Mapping[int, float]) -> dict[str, float]:
        found = by_structure(self.level, self.side, by_label)
        return found | {"total": sum(found.values())}

    @cached_property
    def present_mm3(self) -> dict[str, float]:
        """Structure -> bone there before anything is taken."""
        return by_structure(self.level, self.side, self.estimate.prepared.level_bone.whole_by_label_mm3)

    @cached_property
    def first_limit(self) -> FirstLimit | None:
        """The limit that breaks first as the sweep is widened."""
        return first_limit(self.estimate)

    def reach(self, relation: str = "contralateral") -> Reach | None:
        """What is touched on one side."""
        return self.estimate.reach.get(self.patient_side(relation))

    def reported(self, name: str) -> str | None:
        """A fact in words; None where the case does not show it."""
        return FACTS[name](self)


def filled(text: str, facts: PlanFacts, held_back: frozenset[str] = frozenset()) -> str:
    """A lesson's text with its placeholders filled in, those held back and those not in view saying so."""

    def word(found: re.Match[str]) -> str:
        name = found[1]
        return HELD_BACK if name in held_back else facts.reported(name) or NOT_IN_VIEW

    return PLACEHOLDER.sub(word, text)


PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def placeholders_in(text: str) -> tuple[str, ...]:
    """The names between braces.

    >>> placeholders_in("The sac lies at {far clock:dural sac}, {side} of {level}.")
    ('far clock:dural sac', 'side', 'level')
    """
    return tuple(PLACEHOLDER.findall(text))


def stray_braces(text: str) -> bool:
    """Is there a brace that belongs to no placeholder?

    >>> stray_braces("at {side}"), stray_braces("at {side")
    (False, True)
    """
    return bool(re.search(r"[{}]", PLACEHOLDER.sub("", text)))


Fact = Callable[[PlanFacts], str | None]


def _plain() -> dict[str, Fact]:
    """What the plan is about."""
    return {
        "level": lambda facts: facts.level.name,
        "upper": lambda facts: facts.level.upper,
        "lower": lambda facts: facts.level.lower,
        "side": lambda facts: facts.side,
        "other side": lambda facts: other_side(facts.side),
        "sac": lambda facts: facts.estimate.anatomy.sources.get("sac", "modelled"),
    }


def _clocks() -> Iterator[tuple[str, Fact]]:
    for name in NEAR_SIGHTS:
        yield f"clock:{name}", partial(_hour, of="near_hours", name=name)
    for name in FAR_SIGHTS:
        yield f"far clock:{name}", partial(_hour, of="far_hours", name=name)


def _hour(facts: PlanFacts, of: str, name: str) -> str | None:
    hours = getattr(facts, of)
    return clock_words(hours[name]) if name in hours else None


_ANY_LEVEL = Level("L3-L4", "L3", "L4", None, {}, {}, {}, {})  # type: ignore[arg-type]
STRUCTURES = (*structures_of(_ANY_LEVEL, "left"), OTHER, "total")
"""Structures of which bone is reported, by name."""


def _bone() -> Iterator[tuple[str, Fact]]:
    for name in STRUCTURES:
        yield f"mm3:{name}", partial(_amount, of="task_mm3", name=name)
        yield f"sweep mm3:{name}", partial(_amount, of="sweep_mm3", name=name)


def _amount(facts: PlanFacts, of: str, name: str) -> str | None:
    there = name in ("total", OTHER) or facts.present_mm3[name] > 0
    return amount(getattr(facts, of)[name], "mm3", 0) if there else None


def _kept() -> Iterator[tuple[str, Fact]]:
    for relation in RELATIONS:
        yield f"facet:{relation}", partial(_facet, relation=relation)
        yield f"pars:{relation}", partial(_pars, relation=relation)
        yield f"ligament:{relation}", partial(_ligament, relation=relation)
        yield f"freed:{relation}", partial(_freed, relation=relation)


def facet_kept_frac(facts: PlanFacts, relation: str) -> float:
    """Surface of a joint that stays after the whole sweep; NaN where it is not in view."""
    kept = facts.estimate.cone.facets.get(facts.patient_side(relation))
    return float("nan") if kept is None else kept.area_frac


def _facet(facts: PlanFacts, relation: str) -> str | None:
    return _known(percent, facet_kept_frac(facts, relation))


def _pars(facts: PlanFacts, relation: str) -> str | None:
    return _known(lambda mm: amount(mm, "mm"), facts.estimate.cone.pars[facts.patient_side(relation)].residual_mm)


def _ligament(facts: PlanFacts, relation: str) -> str | None:
    return _known(percent, facts.estimate.decompression.coverage_frac[facts.patient_side(relation)])


def _freed(facts: PlanFacts, relation: str) -> str | None:
    """Share of what presses on a side that the plan's resection takes."""
    found = facts.decompressed
    return None if found is None else _known(percent, found.freed.by_side[facts.patient_side(relation)])


def _known(words: Callable[[float], str], value: float) -> str | None:
    return None if np.isnan(value) else words(value)


def _base_and_canal() -> dict[str, Fact]:
    mm, mm2 = partial(amount, unit="mm"), partial(amount, unit="mm2", digits=0)
    return {
        "spinous base:undercut": lambda f: _known(percent, f.estimate.cone.spinous_base.undercut_frac),
        "spinous base:bridge": lambda f: _known(mm, f.estimate.cone.spinous_base.bridge_mm),
        "canal:before": lambda f: _known(mm2, f.estimate.decompression.canal_area_before_mm2),
        "canal:after": lambda f: _known(mm2, f.estimate.decompression.canal_area_after_mm2),
    }


def _reaches() -> dict[str, Fact]:
    mm = partial(amount, unit="mm")
    return {
        "reach:far": lambda f: mm(r.lateral_mm) if (r := f.reach()) else None,
        "reach:near": lambda f: mm(r.lateral_mm) if (r := f.reach("ipsilateral")) else None,
        "reach:clearance": lambda f: _known(mm, r.clearance_mm) if (r := f.reach()) else None,
        "reach:stops": lambda f: CAUSES[r.limited_by] if (r := f.reach()) else None,
    }


def _targets() -> Iterator[tuple[str, Fact]]:
    for name in FROM_TARGETS:
        yield f"reached:{name}", partial(_reached, name=name)


def _reached(facts: PlanFacts, name: str) -> str | None:
    return _known(percent, touched_frac(facts, name))


def touched_frac(facts: PlanFacts, name: str) -> float:
    """Share of a set of targets that is touched; NaN where it is not in view."""
    across, which = FROM_TARGETS[name]
    reach = facts.reach("contralateral" if across else "ipsilateral")
    return float("nan") if reach is None else reach.targets.get(which, float("nan"))


def _limits() -> dict[str, Fact]:
    return {"limit:first": _first_limit}


def _first_limit(facts: PlanFacts) -> str:
    first = facts.first_limit
    if first is None:
        return f"none, up to {WIDEST_DEG:.0f}\u00b0 wider"
    return f"{first.name} ({_wider(first)})"


def _wider(first: FirstLimit) -> str:
    if first.wider_deg == 0:
        return "broken by the plan itself"
    return f"after {first.wider_deg:.1f}\u00b0 more of sweep"


def _entry() -> dict[str, Fact]:
    return {
        "entry:lateral": lambda f: lateral_words(f.estimate.skin_entry.lateral_mm, f.side),
        "entry:cranial": lambda f: cranial_words(
            f.estimate.skin_entry.cranial_mm, f"the lower edge of the {f.level.upper} lamina"
        ),
        "entry:depth": lambda f: amount(f.estimate.skin_entry.depth_mm, "mm", 0),
        "entry:at": lambda f: "the skin" if f.estimate.skin_entry.at == "skin" else "the pivot (no skin in view)",
        "docking:from window": _from_window,
        "window:width": lambda f: _window(f, "width_mm"),
        "window:height": lambda f: _window(f, "height_mm"),
    }


def _from_window(facts: PlanFacts) -> str | None:
    canal_entry = canal_entry_of(facts.level, facts.side)
    if canal_entry is None:
        return None
    offset = np.array(facts.estimate.approach.docking_point_mm) - canal_entry.centre_mm
    return offset_words(offset.tolist(), facts.side)


def _window(facts: PlanFacts, name: str) -> str | None:
    window: Window | None = facts.level.windows.get(facts.side)
    return None if window is None else amount(getattr(window, name), "mm", 0)


def _plan() -> dict[str, Fact]:
    facts: dict[str, Fact] = {}
    for name in PHASE_RELATION:
        facts[f"medial tilt:{name}"] = partial(_tilt, name=name, words=medial_tilt_words)
        facts[f"cranial tilt:{name}"] = partial(_tilt, name=name, words=cranial_tilt_words)
    for name in ("sleeve", "scope", "tool"):
        facts[f"diameter:{name}"] = partial(_diameter, name=name)
    return facts


def _tilt(facts: PlanFacts, name: str, words: Callable[[Phase], str]) -> str | None:
    return next((words(phase) for phase in facts.estimate.approach.phases if phase.name == name), None)


def _diameter(facts: PlanFacts, name: str) -> str:
    return amount(getattr(facts.estimate.approach.channel, f"{name}_diameter_mm"), "mm")


FACTS: Mapping[str, Fact] = {
    **_plain(), **dict(_clocks()), **dict(_bone()), **dict(_kept()), **_base_and_canal(), **_reaches(),
    **dict(_targets()), **_limits(), **_entry(), **_plan(),
}  # fmt: skip
"""Every placeholder a lesson may hold -> what it says, None where the case does not show it."""

NO_NUMBERS = frozenset({*_plain(), *(name for name, _ in _clocks())} - {"sac"})
"""Those that tell nothing of what a plan costs, keeps or reaches: all that a blind lesson may hold."""
