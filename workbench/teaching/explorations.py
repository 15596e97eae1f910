"""Tasks to explore freely: plans of a trainee's own, held by the estimator against what a step asks for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC
from canalwise.estimator.estimate.estimate import Estimate
from canalwise.recon.labels import SIDES
from canalwise.workbench.style.phrases import amount, percent
from canalwise.workbench.teaching.placeholders import PlanFacts, decompressed_by, touched_frac

APART_MM = 0.5
"""Tools whose diameters differ by less are no thin and thick one (choice)."""

FAR_RECESS = "contralateral recess"


@dataclass(frozen=True)
class ExplorationMark:
    """One thing required: whether the plans do it (None where it is only stated), and the numbers in words."""

    name: str
    met: bool | None
    words: str


@dataclass(frozen=True)
class Exploration:
    """What is required, in words with the plan's facts, and how plans are marked."""

    words: Callable[[PlanFacts], str]
    marks: Callable[[Sequence[Estimate]], Iterator[ExplorationMark]]


def exploration_words(kind: str, facts: PlanFacts) -> str:
    """What a step asks to explore; "" for none."""
    return EXPLORATIONS[kind].words(facts) if kind else ""


def explored(kind: str, plans: Sequence[Estimate]) -> list[ExplorationMark]:
    """The marks of some plans."""
    return list(EXPLORATIONS[kind].marks(plans))


def _two_tools(plans: Sequence[Estimate]) -> Iterator[ExplorationMark]:
    tools = {plan: plan.approach.channel.tool_diameter_mm for plan in plans}
    thin, thick = min(plans, key=lambda plan: tools[plan]), max(plans, key=lambda plan: tools[plan])
    apart = tools[thick] - tools[thin] >= APART_MM
    same = thin.approach.side == thick.approach.side
    sizes = f"tools of {amount(tools[thin], 'mm')} and {amount(tools[thick], 'mm')}"
    yield ExplorationMark("a thin and a thick tool, from one side", apart and same, sizes)
    for word, plan in (("thin", thin), ("thick", thick)):
        share = touched_frac(PlanFacts(plan), FAR_RECESS)
        far = other_side(plan.approach.side)
        words = f"{percent(share)} of the {far} recess touched, {percent(ENOUGH_FRAC)} is enough; {_bone(plan)}"
        yield ExplorationMark(f"the {word} tool reaches the far recess", share >= ENOUGH_FRAC, words)


def _both_sides(plans: Sequence[Estimate]) -> Iterator[ExplorationMark]:
    by_side = {side: [plan for plan in plans if plan.approach.side == side] for side in SIDES}
    yield ExplorationMark(
        "a plan from either side", all(by_side.values()), "; ".join(f"{s}: {len(p)}" for s, p in by_side.items())
    )
    for side, own in by_side.items():
        if own:
            yield _freed(side, min(own, key=_rank))


def _freed(side: str, plan: Estimate) -> ExplorationMark:
    found = decompressed_by(plan)
    if found is None:
        return ExplorationMark(f"freed from the {side}", None, "what presses is not known here")
    met = bool(found.verdict.freed and found.verdict.kept is not False)
    return ExplorationMark(f"freed from the {side}, within the limits", met, f"{found.verdict.sentence}; {_bone(plan)}")


def _rank(plan: Estimate) -> tuple[bool, float]:
    found = decompressed_by(plan)
    return (True, 0.0) if found is None else (not found.verdict.freed, found.cost.total_mm3)


def _bone(plan: Estimate) -> str:
    found = decompressed_by(plan)
    total = plan.task.removal.total_mm3 if found is None else found.cost.total_mm3
    return f"{amount(total, 'mm3', 0)} of bone"


def _tools_words(facts: PlanFacts) -> str:
    far = other_side(facts.side)
    return (
        f"Reach the {far} recess from the {facts.side} with a thin and with a thick tool. Pin a plan with each, then "
        "have them marked."
    )


def _sides_words(facts: PlanFacts) -> str:
    return (
        f"Free {facts.level.name} from the left and from the right within every limit. Pin a plan from each side, then "
        "have them marked."
    )


EXPLORATIONS: Mapping[str, Exploration] = {
    "thin and thick tool": Exploration(_tools_words, _two_tools),
    "both sides": Exploration(_sides_words, _both_sides),
}
"""Everything that a step may ask to explore."""
