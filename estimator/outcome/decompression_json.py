"""All that an approach comes to when it is used to free a level, as JSON data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import IPSILATERAL, far_phase, other_side
from canalwise.estimator.outcome.decompressed import DecompressedLevel
from canalwise.estimator.outcome.outcome_values import Freed
from canalwise.recon.labels import Side

DEFINITIONS = {
    "resection": "takeable bone within tool_radius_mm of the piece from scope end to tip of any line, or within "
    "scope_radius_mm of the piece from the beside plane to the scope end where that lies ventral of it, or between "
    "these tubes, or in the room and within bite_mm of a tip that takes it; the scope end lies tool_beyond_scope_mm "
    "short of the tip",
    "between": "points that no ball of gap_radius_mm holds and is clear of all tubes: their morphological closing; a "
    "burr takes what stands between two passages and is narrower than itself",
    "beside_plane": "points p with p . normal_ras = offset_mm: the dorsal surface of the near laminae; sleeve and "
    "scope pass beside bone where they lie beyond it",
    "freed": "share of the tissue in the room needed (its label map) that lies within bite_mm of a tip of a line, the "
    "piece between them clear of sac and remaining bone, or within a line's tubes; bone between them too",
    "area_mm2": "bony canal less ligament and calcification in slabs of 1 mm across the level's z, at stations_mm; "
    "needed: if all of the set were taken; after: with what is taken",
    "weights": "prices of bone decide between lines and multiply no number shown",
    "gap_to_bound_frac": "share of the weighted bone by which a better choice of lines could at most be below it",
}


def decompression_as_json(found: DecompressedLevel, with_bound: bool = True) -> dict[str, Any]:
    """The keys `resection`, `freed`, `verdict`, `spinous_process` and `geometry` of an estimate's JSON.

    `with_bound` works out the lower bound, which takes longer than the resection itself.
    """
    resection, cost = found.resection, found.cost
    side = resection.approach.side
    sides: dict[str, Side] = {"ipsilateral": side, "contralateral": other_side(side)}
    return {
        "resection": {
            "breadth": resection.at.room.breadth,
            "bone_removed_mm3": {
                "total": cost.total_mm3,
                "interval95": None,
                "by_structure": dict(cost.by_structure_mm3),
            },
            "share_of_structure": dict(cost.share_of_structure),
            "weighted_mm3": resection.weighted_mm3,
            "least_weighted_mm3": found.least_weighted_mm3 if with_bound else None,
            "gap_to_bound_frac": found.gap_to_bound_frac if with_bound else None,
            "steps": [asdict(step) for step in found.steps],
            "facet_preserved": {r: asdict(cost.facets[s]) if s in cost.facets else None for r, s in sides.items()},
            "facet_unresolved": {r: found.prepared.unresolved_joints.get(s) for r, s in sides.items()},
            "pars_residual_mm": {r: cost.pars[s].residual_mm for r, s in sides.items()},
            "spinous_base": asdict(cost.base),
            "farthest_bone_mm": cost.lateral_mm,
            "contralateral_reach": _reach(found),
            "limits": [_check(check) for check in found.checks],
            "rules": [{"name": name} | asdict(record) for name, record in resection.at.rules.records.items()],
        },
        "freed": _freed(found.freed, sides) | {"set_mm3": _set(found), "sac_section": resection.at.room.section.source},
        "verdict": asdict(found.verdict),
        "spinous_process": {"contact_mm3": cost.contact_mm3},
        "geometry": _geometry(found),
    }


def _check(check: Any) -> dict[str, Any]:
    return {"name": check.name, "value": check.value, "met": check.met} | {
        "limit": check.limit.value, "unit": check.limit.unit, "source": check.limit.source,
        "evidence": check.limit.evidence,
    }  # fmt: skip


def _reach(found: DecompressedLevel) -> dict[str, Any]:
    reach, frame = found.reach, found.resection.at.level.frame
    next_ras = None if reach.next_mm is None else frame.to_world_mm(np.array(reach.next_mm))
    return {
        "lateral_mm": reach.lateral_mm,
        "at_disc_mm": reach.at_disc_mm,
        "limited_by": reach.limited_by,
        "next_ras_mm": next_ras,
    }


def _freed(freed: Freed, sides: Mapping[str, Side]) -> dict[str, Any]:
    areas = freed.areas
    curves = {
        "before": areas.before_mm2,
        "needed": areas.needed_mm2,
        "after": areas.after_mm2,
        "bony_canal": areas.bony_canal_mm2,
    }
    sac = {"before": areas.sac_before_mm2, "needed": areas.sac_needed_mm2, "after": areas.sac_after_mm2}
    return {
        "share": freed.share,
        **{relation: freed.by_side[s] for relation, s in sides.items()},
        "by_kind": dict(freed.by_kind),
        "insertions": {end: freed.released(end) for end in freed.insertions},
        "insertions_frac": dict(freed.insertions),
        "stations_mm": areas.z_mm,
        "area_mm2": curves,
        "least_area_mm2": {name: float(curve.min()) for name, curve in curves.items()},
        "at_disc_area_mm2": {name: float(curve[freed.at_disc]) for name, curve in curves.items()},
        "sac_room_mm2": sac,
        "root_room_mm": {relation: freed.root_room_mm[s] for relation, s in sides.items()},
        "root_room_before_mm": {relation: freed.root_room_before_mm[s] for relation, s in sides.items()},
    }


def _set(found: DecompressedLevel) -> dict[str, Any]:
    """How much is to be taken, and what stands in the room and is not."""
    wanted = found.resection.at.wanted
    return {"total": wanted.total_mm3, "standing": dict(wanted.standing_mm3)}


def _geometry(found: DecompressedLevel) -> dict[str, Any]:
    resection, rules = found.resection, found.resection.at.rules
    frame, window, channel = resection.at.level.frame, resection.window, resection.approach.channel
    normal = frame.direction_ras(window.outward)
    return {
        "lines": [
            {
                "phase": _phase(found, tip),
                "pivot_ras_mm": frame.to_world_mm(pivot),
                "tip_ras_mm": frame.to_world_mm(tip),
            }
            for pivot, tip in zip(resection.pivots_mm, resection.tips_mm, strict=True)
        ],
        "tool": {"bite_mm": rules.value("bite_mm"), "tool_beyond_scope_mm": rules.value("tool_beyond_scope_mm"),
                 "tool_radius_mm": channel.tool_radius_mm, "scope_radius_mm": channel.scope_radius_mm,
                 "sleeve_radius_mm": channel.sleeve_radius_mm, "gap_radius_mm": resection.region.gap_radius_mm,
                 "contact_mm": rules.value("contact_mm")},
        "beside_plane": {"normal_ras": normal,
                         "offset_mm": window.beside_from_mm + float(normal @ frame.origin_ras_mm)},
        "definitions": DEFINITIONS,
    }  # fmt: skip


def _phase(found: DecompressedLevel, tip_mm: np.ndarray) -> str:
    """The phase of the plan in which a line is gone: the first on its own side, the one over the top across."""
    approach = found.resection.approach
    near = (tip_mm[0] >= 0) == (approach.side == "left")
    names = [phase.name for phase in approach.phases]
    return names[0] if near else names[far_phase(names)] if len(names) > 1 else IPSILATERAL
