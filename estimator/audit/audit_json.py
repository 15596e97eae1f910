"""An audit as plain JSON data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.audit.areas import AuditedAreas
from canalwise.estimator.audit.audit import Audit
from canalwise.estimator.audit.comparison import PlaceToCheck, PlannedAgainstAchieved
from canalwise.estimator.audit.fitted_approach import FittedApproach
from canalwise.estimator.audit.rules import AUDIT_SCHEMA, RULES
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.labels import Side

DEFINITIONS = {
    "motion_ras": "4x4 matrix, RAS mm of the case's scan -> RAS mm of the scan after, one a vertebra",
    "residual_mm": "the larger of: there and back again, and the spread of the starts that agree",
    "bone_taken_mm3": "bone of the case times the share of it that was taken, in connected pieces that come near the "
    "canal and are larger than detection_limit_mm3",
    "detection_limit_mm3": "a smaller piece of bone lost could be noise and is not reported",
    "area_mm2": "bony canal less ligament and calcification in slabs of 1 mm across the level's z, at stations_mm; "
    "achieved_bone: with the bone taken and no ligament, achieved_most: with all ligament gone as well",
    "overlap_frac": "twice the bone in both removals over the sum of both (Dice)",
    "at_level_mm": "left, dorsal, cranial mm from the level's origin",
}


def audit_as_json(audit: Audit) -> dict[str, Any]:
    """The audit, with arrays and not-a-number as `estimator.estimate.estimate_json.plain` takes them.

    Sides are relative to `side`.
    """
    sides: dict[str, Side] = {"ipsilateral": audit.side, "contralateral": other_side(audit.side)}
    kept = audit.kept
    return {
        "schema": AUDIT_SCHEMA,
        "level": audit.question.level,
        "side": audit.side,
        "planned": audit.question.plan is not None,
        "days_after": audit.question.days_after,
        "sentence": sentence_of(audit),
        "registration": _registration(audit),
        "bone_taken_mm3": {
            "total": audit.taken.removal.total_mm3,
            "interval95": audit.taken.interval95_mm3,
            "by_structure": dict(kept.by_structure_mm3),
            "share_of_structure": dict(kept.share_of_structure),
            "detection_limit_mm3": audit.taken.limit_mm3,
            "elsewhere": audit.taken.elsewhere_mm3,
            "gained": audit.taken.gained_mm3,
            "not_in_view": audit.taken.unseen_mm3,
        },
        "facet_preserved": {r: asdict(kept.facets[s]) if s in kept.facets else None for r, s in sides.items()},
        "pars_mm": {r: asdict(kept.pars[s]) for r, s in sides.items()},
        "spinous_base": asdict(kept.base),
        "limits": [
            {"name": limit.name, "value": limit.value, "met": limit.met, "limit": limit.limit.value,
             "unit": limit.limit.unit, "source": limit.limit.source, "evidence": limit.limit.evidence}
            for limit in audit.limits
        ],
        "areas": None if audit.areas is None else _areas(audit.areas),
        "against_plan": None if audit.compared is None else _compared(audit.compared),
        "fitted_approach": None if audit.fitted is None else _fitted(audit.fitted),
        "passed": audit.passed,
        "criteria": [
            {"name": c.name, "value": c.value, "limit": c.limit.value, "unit": c.limit.unit, "met": c.met,
             "why": c.why, "source": c.limit.source, "evidence": c.limit.evidence}
            for c in audit.criteria
        ],
        "findings": list(audit.findings),
        "caveats": list(audit.caveats),
        "warnings": list(warnings_of(audit)),
        "sources": dict(audit.pair.anatomy.sources),
        "rules": [{"name": name} | asdict(record) for name, record in RULES.items()],
        "definitions": DEFINITIONS,
        "level_frame_ras": audit.pair.level.frame.matrix_ras,
        "caution": CAUTION,
    }  # fmt: skip


def sentence_of(audit: Audit) -> str:
    """The audit's headline in one sentence."""
    taken, limit = audit.taken.removal.total_mm3, audit.taken.limit_mm3
    if taken <= 0:
        return f"No bone was taken that can be distinguished from noise (pieces of {limit:.0f} mm3 and more would show)"
    broken = [each.name for each in audit.limits if each.met is False]
    parts = [f"{taken:.0f} mm3 of bone were taken"]
    if audit.compared is not None and audit.compared.planned_mm3 > 0:
        done = audit.compared.both_mm3 / audit.compared.planned_mm3
        parts.append(f"{done:.0%} of what was planned, {audit.compared.unplanned_mm3:.0f} mm3 besides")
    parts.append(f"breaks {', '.join(broken)}" if broken else "all limits that could be measured are kept")
    parts = parts if not broken else [parts[-1].capitalize(), *parts[:-1]]
    return "; ".join(parts)


def warnings_of(audit: Audit) -> tuple[str, ...]:
    """Warnings to read before these numbers are used."""
    warnings = [*audit.pair.after.warnings]
    if audit.taken.elsewhere_mm3 > 0:
        warnings.append(
            f"{audit.taken.elsewhere_mm3:.0f} mm3 of bone are gone away from the canal and are not counted: look there."
        )
    if audit.taken.unseen_mm3 > 0:
        unseen = f"{audit.taken.unseen_mm3:.0f} mm3 of bone that could be taken"
        warnings.append(f"{unseen} lie outside the scan after, or under metal.")
    if audit.areas is not None:
        warnings.append(audit.areas.note[:1].upper() + audit.areas.note[1:] + ".")
    return tuple(warnings)


def _registration(audit: Audit) -> dict[str, Any]:
    return {
        name: {
            "motion_ras": found.motion.matrix_ras_mm,
            "residual_mm": found.residual_mm,
            "inverse_mm": found.inverse_mm,
            "spread_mm": found.spread_mm,
            "starts_agreeing": f"{found.agreeing} of {found.starts}",
            "correlation": found.fit,
        }
        for name, found in audit.pair.registrations.items()
    }


def _areas(areas: AuditedAreas) -> dict[str, Any]:
    curves = {
        "before": areas.before_mm2,
        "planned": areas.planned_mm2,
        "planned_bone": areas.planned_bone_mm2,
        "achieved_bone": areas.achieved_bone_mm2,
        "achieved_most": areas.achieved_most_mm2,
        "sac_before": areas.sac_before_mm2,
        "sac_after": areas.sac_after_mm2,
    }
    return {
        "stations_mm": areas.z_mm,
        "area_mm2": curves,
        "least_area_mm2": {name: _least(curve) for name, curve in curves.items()},
        "at_disc_area_mm2": {
            name: None if curve is None else float(curve[areas.at_disc]) for name, curve in curves.items()
        },
        "note": areas.note,
    }


def _least(curve: np.ndarray | None) -> float | None:
    return None if curve is None else float(curve.min())


def _compared(found: PlannedAgainstAchieved) -> dict[str, Any]:
    return {
        "planned_mm3": found.planned_mm3,
        "achieved_mm3": found.achieved_mm3,
        "both_mm3": found.both_mm3,
        "missed_mm3": found.missed_mm3,
        "unplanned_mm3": found.unplanned_mm3,
        "overlap_frac": found.overlap_frac,
        "missed_by_structure": dict(found.missed_by_structure),
        "unplanned_by_structure": dict(found.unplanned_by_structure),
        "missed": [_place(place) for place in found.missed],
        "unplanned": [_place(place) for place in found.unplanned],
    }


def _place(place: PlaceToCheck) -> Mapping[str, Any]:
    return {"at_level_mm": list(place.at_level_mm), "mm3": place.mm3, "structure": place.structure}


def _fitted(fitted: FittedApproach) -> dict[str, Any]:
    approach, motion = fitted.approach, fitted.motion
    return {
        "side": approach.side,
        "reference": fitted.reference,
        "docking_point_mm": list(approach.docking_point_mm),
        "tilts": [
            {"phase": phase.name, "medial_tilt_deg": phase.medial_tilt_deg, "cranial_tilt_deg": phase.cranial_tilt_deg}
            for phase in approach.phases
        ],
        "against_reference": {
            "lateral_mm": motion.lateral_mm,
            "cranial_mm": motion.cranial_mm,
            "deeper_mm": motion.deeper_mm,
            "medial_deg": {"ipsilateral": motion.medial_deg[0], "contralateral": motion.medial_deg[1]},
            "cranial_deg": {"ipsilateral": motion.cranial_deg[0], "contralateral": motion.cranial_deg[1]},
        },
        "overlap_frac": {side: fitted.overlap_frac.get(side) for side in ("left", "right")},
    }
