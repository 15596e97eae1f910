"""A plan of several levels as plain JSON data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from canalwise.estimator.levels.levels_plan import LevelsPlan, SharedPair, tightness
from canalwise.estimator.levels.rules import RULES
from canalwise.estimator.levels.several_levels import SeveralLevels
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import Part, vertebra_number

SCHEMA = "canalwise.levels/1"

ORDER_REASON = "the tightest first: least free area as a share of what is needed (common practice, no source)"


def levels_as_json(plan: LevelsPlan) -> dict[str, Any]:
    """The plan as JSON data, once `estimator.estimate.estimate_json.plain` has made null of what is not a number."""
    best = plan.best
    return {
        "schema": SCHEMA,
        "levels": [one.prepared.level.name for one in best.found],
        "chosen": plan.chosen,
        "verdict": verdict_json(best),
        "order": {"levels": list(plan.order), "because": ORDER_REASON},
        "patterns": [{"name": name} | pattern_json(levels) for name, levels in plan.patterns.items()],
        "each_level": each_level_json(best),
        "vertebrae": vertebrae_json(best),
        "bridges": bridges_json(best),
        "shared_entries": [pair_json(pair) for pair in plan.pairs],
        "rules": [{"name": name} | asdict(record) for name, record in RULES.items()],
        "warnings": list(best.anatomy.warnings),
        "sources": dict(best.anatomy.sources),
        "caution": CAUTION,
    }


def verdict_json(levels: SeveralLevels) -> dict[str, Any]:
    """Freed and kept, as one level's verdict states them."""
    return {"freed": not levels.not_freed, "kept": not levels.broken, "sentence": levels.sentence}


def pattern_json(levels: SeveralLevels) -> dict[str, Any]:
    """One pattern of sides."""
    return {
        "sides": {one.prepared.level.name: one.resection.approach.side for one in levels.found},
        "bone_removed_mm3": {
            "together": levels.together.total_mm3,
            "separate": float(sum(one.resection.removal.total_mm3 for one in levels.found)),
        },
        "limits_broken": list(levels.broken),
        "levels_not_freed": list(levels.not_freed),
        "least_lamina_bridge_mm": min((b.bridge_mm for b in levels.bridges), default=None),
        "verdict": verdict_json(levels),
    }


def each_level_json(levels: SeveralLevels) -> list[dict[str, Any]]:
    """Each level: what its approach frees, and every limit held against what all levels take."""
    rows = []
    for one, cost, checks in zip(levels.found, levels.costs, levels.checks, strict=True):
        areas = one.freed.areas
        curves = {"before": areas.before_mm2, "needed": areas.needed_mm2, "after": areas.after_mm2}
        rows.append({
            "level": one.prepared.level.name,
            "side": one.resection.approach.side,
            "bone_removed_mm3": one.resection.removal.total_mm3,
            "freed_frac": one.freed.share,
            "freed_by_side_frac": dict(one.freed.by_side),
            "least_area_mm2": {name: float(curve.min()) for name, curve in curves.items()},
            "free_area_frac_of_needed": tightness(one),
            "facet_area_kept_frac": {side: kept.area_frac for side, kept in cost.facets.items()},
            "pars_remaining_mm": {side: pars.residual_mm for side, pars in cost.pars.items()},
            "spinous_bridge_remaining_mm": cost.base.bridge_mm,
            "limits": [check_json(check) for check in checks],
            "alone": asdict(one.verdict),
            "approach": asdict(one.resection.approach),
        })  # fmt: skip
    return rows


def check_json(check: Any) -> dict[str, Any]:
    """One limit with its source."""
    return {"name": check.name, "value": check.value, "met": check.met, "limit": check.limit.value,
            "unit": check.limit.unit, "source": check.limit.source, "evidence": check.limit.evidence}  # fmt: skip


def vertebrae_json(levels: SeveralLevels) -> list[dict[str, Any]]:
    """Bone lost by each vertebra to all levels, every voxel counted once."""
    return [
        {
            "vertebra": loss.vertebra,
            "levels": list(loss.levels),
            "taken_mm3": loss.taken_mm3,
            "separate_mm3": loss.separate_mm3,
            "taken_by_both_mm3": loss.taken_by_both_mm3,
            "by_part_mm3": by_part(levels.together.by_label_mm3, loss.vertebra),
        }
        for loss in levels.vertebrae
    ]


def by_part(by_label_mm3: Mapping[int, float], vertebra: str) -> dict[str, float]:
    """Part of a vertebra -> bone taken from it.

    >>> by_part({2206: 3.0, 2306: 9.0}, "L3")
    {'lamina left': 3.0}
    """
    number = vertebra_number(vertebra)
    return {
        Part(label % 100).name.lower().replace("_", " "): mm3
        for label, mm3 in sorted(by_label_mm3.items())
        if label // 100 == number
    }


def bridges_json(levels: SeveralLevels) -> list[dict[str, Any]]:
    """Each lamina between two windows."""
    pairs = zip(levels.bridges, levels.bridge_checks, strict=True)
    return [asdict(bridge) | {"limit": check_json(check)} for bridge, check in pairs]


def pair_json(pair: SharedPair) -> dict[str, Any]:
    """One skin entry for two levels, against an entry each."""
    best = pair.entry.best
    return {
        "levels": list(pair.levels),
        "serves": pair.serves,
        "sentence": pair_sentence(pair),
        "bone_removed_mm3": {
            "shared_entry": pair.shared.together.total_mm3,
            "separate_entries": pair.separate.together.total_mm3,
        },
        "verdict": verdict_json(pair.shared),
        "worst_freed_frac_coarse": best.worst_freed_frac,
        "leans_deg": best.leans_deg,
        "skin_apart_mm": pair.skin_apart_mm,
        "entry": {"along_frac": best.along, "lateral_mm": best.lateral_mm, "looked_at": pair.entry.looked_at},
        "approaches": [asdict(plan) for plan in best.plans],
    }


def pair_sentence(pair: SharedPair) -> str:
    """Whether one entry serves, and what it costs."""
    names = " and ".join(pair.levels)
    more = pair.more_bone_mm3
    cost = f"{abs(more):.0f} mm3 {'more' if more >= 0 else 'less'} bone than with an entry each"
    if pair.serves:
        return f"One skin entry serves {names}: {cost}, leaning {pair.entry.best.leans_deg:.0f} deg along the spine."
    worse = [name for name in pair.shared.broken if name not in pair.separate.broken]
    why = (
        _not_freed(pair) if pair.shared.not_freed
        else f"it breaks {', '.join(worse)}" if worse
        else f"the channels pass the skin {pair.skin_apart_mm:.0f} mm apart" if pair.entry.best.serves
        else "the channel would lean beyond its bounds"
    )  # fmt: skip
    return f"One skin entry does not serve {names}: {why}."


def _not_freed(pair: SharedPair) -> str:
    """Levels that one entry does not free, and whether two would."""
    names = ", ".join(pair.shared.not_freed)
    same = set(pair.shared.not_freed) <= set(pair.separate.not_freed)
    return f"it does not free {names}{', nor do two entries' if same else ''}"
