"""What a search found as plain JSON data, and its reason in one sentence built from the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.approach.search_bounds import BOUNDS, ENTRY_LATERAL_MM, INSTRUMENTS
from canalwise.estimator.batch.outcomes_by_relation import ENOUGH_FRAC
from canalwise.estimator.estimate.intervals import intervals_of
from canalwise.estimator.estimate.limit_checks import verdicts_of
from canalwise.estimator.search.best_approach import Pick, SearchResult
from canalwise.estimator.search.strategies import Candidate
from canalwise.estimator.ties import SAME_MM3
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import Side

SCHEMA = "canalwise.search/1"


def search_as_json(found: SearchResult) -> dict[str, Any]:
    """All of it; bone and joints of the picks are those of exact estimates, those of `pareto` the batch's."""
    question = found.question
    return {
        "schema": SCHEMA,
        "level": found.level,
        "task": list(question.task),
        "enough_frac": ENOUGH_FRAC,
        "allowed_missed_frac": found.allowed_frac if np.isfinite(found.allowed_frac) else None,
        "budget": question.budget,
        "evaluated": found.evaluated,
        "stopped": found.stopped,
        "seed": question.seed,
        "reason": reason(found),
        "best": _pick(found.best),
        "robust": _pick(found.robust),
        "runner_up": None if found.runner_up is None else _pick(found.runner_up),
        "runner_up_costs": None if found.runner_up is None else _difference(found.runner_up, found.best),
        "pareto": [_candidate(candidate) for candidate in found.pareto],
        "bounds": {name: asdict(bound) for name, bound in (*BOUNDS.items(), ("entry_lateral_mm", ENTRY_LATERAL_MM))},
        "instruments": {name: asdict(INSTRUMENTS[name]) for name in question.instruments if name in INSTRUMENTS},
        "caution": CAUTION,
    }


def _pick(pick: Pick) -> dict[str, Any]:
    exact, side = pick.estimate, pick.approach.side
    by_relation = intervals_of(exact)
    return {
        "instrument": pick.candidate.way.instrument,
        "approach": asdict(pick.approach),
        "at_bounds": list(pick.candidate.at_bounds),
        "skin_entry": asdict(exact.skin_entry),
        "bone_removed_mm3": {
            kind: {"total": cost.removal.total_mm3, "interval95": list(interval.bone_mm3.ends)}
            for kind, cost, interval in (("cone", exact.cone, by_relation.cone), ("task", exact.task, by_relation.task))
        },
        "facet_area_frac": _by_relation({s: kept.area_frac for s, kept in exact.cone.facets.items()}, side),
        "facet_width_frac": _by_relation({s: kept.width_frac for s, kept in exact.cone.facets.items()}, side),
        "reached_frac": pick.reach_frac,
        "targets": {name: _known(share) for name, share in exact.task_reached_frac.items()},
        "limits_broken": list(pick.broken),
        "closest_limit": _closest(pick),
        "by_hand": asdict(pick.success),
    }


def _candidate(candidate: Candidate) -> dict[str, Any]:
    return {
        "instrument": candidate.way.instrument,
        "approach": asdict(candidate.approach),
        "bone_removed_mm3": candidate.bone_mm3,
        "reached_frac": candidate.reach_frac,
        "least_facet_kept_frac": candidate.facet_frac,
    }


def _difference(other: Pick, best: Pick) -> dict[str, float]:
    """What the other plan takes more of and reaches more of."""
    return {
        "bone_removed_mm3": other.bone_mm3 - best.bone_mm3,
        "reached_frac": other.reach_frac - best.reach_frac,
        "by_hand": other.success.both - best.success.both,
    }


def _by_relation(of_side: Mapping[Side, float], side: Side) -> dict[str, float | None]:
    sides = {"ipsilateral": side, "contralateral": other_side(side)}
    return {relation: _known(of_side.get(s, float("nan"))) for relation, s in sides.items()}


def _known(value: float) -> float | None:
    return None if value != value else float(value)


def _closest(pick: Pick) -> dict[str, Any] | None:
    """The limit that is nearest to being broken, as a share of itself; None where nothing was measured."""
    by_relation = [v for v in verdicts_of(pick.estimate) if v.met is not None]
    if not by_relation:
        return None
    least = min(by_relation, key=lambda v: abs(v.value - v.limit) / max(v.limit, 1e-9) * (1 if v.met else -1))
    return {"name": least.name, "value": _known(least.value), "limit": least.limit, "unit": least.unit}


def reason(found: SearchResult) -> str:
    """Why the best is the best, against the runner-up and the robust pick."""
    best = found.best
    by_relation = f"{_way(best)} takes {best.bone_mm3:.0f} mm3, touches {100 * best.reach_frac:.0f} % of what is asked"
    by_relation += " and keeps every limit" if not best.broken else f" and breaks {', '.join(best.broken)}"
    parts = [by_relation, *_than_runner_up(found), _by_hand(found)]
    missed = "" if found.allowed_frac == 0 else " No approach within the limits reaches enough of every target."
    none = " No approach within the bounds keeps every limit: this one breaks them least." if best.broken else ""
    return "; ".join(parts) + "." + none + missed


def _way(pick: Pick) -> str:
    plan = pick.approach
    across = plan.docking_point_mm[0] * (1 if plan.side == "left" else -1)
    tilt = plan.phases[-1].medial_tilt_deg
    return (
        f"From the {plan.side} with the {pick.candidate.way.instrument} set, docked {across:.0f} mm from the midline "
        f"and tilted {tilt:.0f}\u00b0 over the top, the sweep"
    )


def _than_runner_up(found: SearchResult) -> list[str]:
    if found.runner_up is None:
        return []
    more = found.runner_up.bone_mm3 - found.best.bone_mm3
    which = f"the next best plan, from the {found.runner_up.approach.side}"
    if abs(more) < SAME_MM3:
        return [f"{which}, takes as much within {SAME_MM3:.0f} mm3"]
    return [f"{which}, would take {abs(more):.0f} mm3 {'more' if more > 0 else 'less'}"]


def _by_hand(found: SearchResult) -> str:
    best, robust = found.best, found.robust
    by_relation = f"laid by hand it keeps all limits and reaches enough in {100 * best.success.both:.0f} % of trials"
    if robust.success.both <= best.success.both:
        return f"{by_relation}, as many as any found"
    return f"{by_relation}, the likeliest plan in {100 * robust.success.both:.0f} % for {robust.bone_mm3:.0f} mm3"
