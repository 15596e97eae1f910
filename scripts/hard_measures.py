"""What of a hard case was found, against its truth: names, bones, parts, joints, canal, and what the errors cost."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side
from canalwise.estimator.approach.execution_errors import BY_EXECUTION
from canalwise.estimator.estimate.estimate import Estimate, estimate
from canalwise.estimator.estimate.intervals import Intervals, intervals_of
from canalwise.estimator.interval import Interval
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.hard_case import HardCase, levels_in_view, names_in_view
from canalwise.phantoms.truth.frame import level_frame
from canalwise.phantoms.truth.joint import joint_truth
from canalwise.phantoms.truth.level import areas_mm2
from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.canal.soft_tissue_model import with_modelled_tissue
from canalwise.recon.case.anatomy_builder import anatomy_of, bones_given
from canalwise.recon.case.motion_segments import frames_of, levels_of
from canalwise.recon.errors import AnatomyNotFound, CanalwiseError, LevelNotInView, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labels import (
    SIDES,
    Labels,
    Part,
    Side,
    Tissue,
    bone_mask,
    level_vertebrae,
    vertebra_name,
    vertebra_number,
)
from canalwise.recon.questions import question_probabilities
from canalwise.recon.scan import Scan

BONES_GIVEN = frozenset({"vertebrae", "parts", "canal"})
LEAST_PART_MM3 = 60.0
"""Parts of which less is in view are not judged."""

LEAST_JOINT_MM2 = 20.0
"""A joint with less open surface than this counts as none, found or not."""

COVER_TOL = 1e-6
"""Slack of an interval's ends: sums of single-precision numbers."""

COUNTED_FRACS = (0.2, 0.05, 0.5)
"""Shares of a body from which a person counts a vertebra as in view: first guess, then with slivers, then without."""


@dataclass(frozen=True, eq=False)
class Rendered:
    """A rendered case: the CT, its labels, and per level and side what is known by formula (parametric cases)."""

    case: HardCase
    scan: Scan
    labels: Labels
    joints: Mapping[str, Mapping[Side, Mapping[str, float]]]
    areas_mm2: Mapping[str, Mapping[str, float]]


def formula_truth(case: HardCase, labels: Labels) -> tuple[dict[str, Any], dict[str, Any]]:
    """Joints and canal areas of a parametric case's levels in view, from its own functions; empty for surfaces."""
    joints: dict[str, Any] = {}
    areas: dict[str, Any] = {}
    if case.is_mesh:
        return joints, areas
    spine = spine_of(case.spec)
    for level in levels_in_view(case, labels):
        frame = level_frame(spine, level)
        areas[level] = areas_mm2(spine, level, frame)
        joints[level] = {}
        for side in SIDES:
            true = joint_truth(spine, level, side, frame)
            area = float(true.area_mm2.sum())
            if area >= LEAST_JOINT_MM2:
                joints[level][side] = {"area_mm2": area, "angle_deg": true.angle_deg, "gap_mm": true.gap_mm}
    return joints, areas


def record_of(rendered: Rendered, with_intervals: bool = True) -> tuple[dict[str, Any], Anatomy | None]:
    """Everything measured of one case as plain data, and the automatic anatomy where there is one."""
    case, start = rendered.case, time.perf_counter()
    out: dict[str, Any] = {"name": case.name, "severity": case.severity, "axes": list(case.axes)}
    try:
        found = built(rendered)
    except CanalwiseError as why:
        outcome = "rightly refused" if case.nameless and isinstance(why, AnatomyNotFound) else "refused"
        return out | {"outcome": outcome, "message": str(why), "seconds": time.perf_counter() - start}, None
    except Exception as why:
        return out | {"outcome": "crashed", "message": repr(why), "seconds": time.perf_counter() - start}, None
    out |= {"outcome": "built", "build_s": time.perf_counter() - start, "warnings": list(found.warnings)}
    labels = on_grid_of(rendered.scan.grid, found)
    matched = matches(assessment_of(case, rendered.labels), rendered.labels, labels)
    out |= names_record(case, found, matched)
    out |= overlap_record(case, rendered.labels, labels, matched, rendered.scan.grid)
    out |= confidence_record(found)
    try:
        truth = true_anatomy(rendered)
        out |= truth_record(rendered, truth, found, matched)
        out |= effect_record(case, truth, found, matched, with_intervals)
    except CanalwiseError as why:
        out["effect_message"] = str(why)
    except Exception as why:
        out["effect_crash"] = repr(why)
    return out | {"seconds": time.perf_counter() - start}, found


def built(rendered: Rendered) -> Anatomy:
    """The anatomy from the CT alone; given names are tried with and without slivers, as a person would."""
    if not rendered.case.named:
        return anatomy_of(rendered.scan)
    tries = list(dict.fromkeys(names_in_view(rendered.labels, frac) for frac in COUNTED_FRACS))
    for n, names in enumerate(tries):
        try:
            return anatomy_of(rendered.scan, vertebrae=names)
        except WrongUse:
            if n == len(tries) - 1:
                raise
    raise AssertionError("no names in view")


def on_grid_of(grid: Grid, found: Anatomy) -> Labels:
    """An anatomy's labels placed in the grid of the whole scan."""
    out = np.zeros(grid.shape, dtype=np.uint16)
    low = np.rint(grid.index_of(found.grid.world_mm([0, 0, 0]))).astype(int)
    out[tuple(slice(a, a + n) for a, n in zip(low, found.grid.shape, strict=True))] = found.labels
    return out


def matches(names: Iterable[str], true: Labels, found: Labels) -> dict[str, str]:
    """True vertebra -> the found one that shares most of its bone."""
    pairs = bone_mask(true) & bone_mask(found)
    out = {}
    for name in names:
        mine = found[pairs & (true // 100 == vertebra_number(name))] // 100
        if len(mine):
            out[name] = vertebra_name(int(np.bincount(mine).argmax()))
    return out


def assessment_of(case: HardCase, true: Labels) -> tuple[str, ...]:
    """The vertebrae that are judged: those of the case's levels that are in view, not slivers of their neighbours."""
    wanted = {name for level in case.levels for name in level_vertebrae(level)}
    return tuple(name for name in names_in_view(true) if name in wanted)


def names_record(case: HardCase, found: Anatomy, matched: Mapping[str, str]) -> dict[str, Any]:
    """Are the names right, and does the anatomy warn where they are not?"""
    wrong = {true: got for true, got in matched.items() if true != got}
    sure = found.naming
    unsure = sure is None or sure.transitional or not sure.confirmed
    verdict = "given" if case.named else "right" if not wrong else "flagged" if unsure else "wrong"
    if case.nameless:
        verdict = "guessed" if sure is None or sure.confirmed else "rightly asked"
    if case.named and wrong:
        verdict = "shifted"
    return {"names": verdict, "wrong_names": wrong, "naming_frac": None if sure is None else sure.value_frac}


def dice(one: np.ndarray, other: np.ndarray) -> float:
    """Overlap of two masks.

    >>> dice(np.array([True, True, False]), np.array([True, False, False])).__round__(3)
    0.667
    """
    return float(2 * (one & other).sum() / max(int(one.sum()) + int(other.sum()), 1))


def overlap_record(
    case: HardCase, true: Labels, found: Labels, matched: Mapping[str, str], grid: Grid
) -> dict[str, Any]:
    """Dice of each vertebra in view and of its parts (sides listed one after the other), whatever it is called."""
    vertebrae: dict[str, float] = {}
    parts: dict[str, list[float]] = defaultdict(list)
    for name in assessment_of(case, true):
        mine = bone_mask(true) & (true // 100 == vertebra_number(name))
        got = name in matched
        theirs = bone_mask(found) & (found // 100 == vertebra_number(matched[name])) if got else np.zeros_like(mine)
        vertebrae[name] = dice(mine, theirs)
        for part in Part:
            piece = mine & (true % 100 == part)
            if part != Part.UNDIVIDED and piece.sum() * grid.voxel_mm3 >= LEAST_PART_MM3:
                kind = part.name.lower().removesuffix("_left").removesuffix("_right")
                parts[kind].append(dice(piece, theirs & (found % 100 == part)))
    return {"vertebra_dice": vertebrae, "part_dice": dict(parts)}


def confidence_record(found: Anatomy) -> dict[str, Any]:
    """What the anatomy says of its own levels."""
    said = {level.name: level.confidence for level in found.levels}
    return {
        "confidence_frac": {name: one.value_frac for name, one in said.items() if one is not None},
        "seen": {level.name: dict(level.confidence.seen) for level in found.levels if level.confidence is not None},
        "questions": {level.name: question_probabilities(found, level) for level in found.levels},
        "joints_resolved": {level.name: len(level.joints) for level in found.levels},
        "check_by_eye": [name for name, one in said.items() if one is not None and one.check_by_eye],
    }


def true_anatomy(rendered: Rendered) -> Anatomy:
    """The anatomy of the planned level from the true labels; of surfaces only the vertebrae are known.

    Ligament and sac are modelled by the same rule as in a build from CT alone: what differs is what was found in it.
    """
    case, scan = rendered.case, rendered.scan
    reported = rendered.labels
    labels = np.where(reported >= 100, reported, np.uint16(0)) if case.is_mesh else _emptied(reported)
    named = frozenset({"vertebrae"}) if case.is_mesh else BONES_GIVEN
    bones = bones_given(scan, GivenLabels(labels, named), lambda _: None)
    frames, left_out = frames_of(bones.labels, bones.occupancy, scan.grid)
    wanted = {pair: frame for pair, frame in frames.items() if pair == level_vertebrae(case.level)}
    if not wanted:
        raise LevelNotInView(case.level, "is not in view in the truth", do=" ".join(left_out))
    full = with_modelled_tissue(bones.labels, scan.grid, frames)
    levels = levels_of(full, bones.occupancy, scan.grid, frames=wanted, sources=bones.sources)
    return Anatomy(scan.grid, full, bones.occupancy, levels, bones.sources)


def _emptied(labels: Labels) -> Labels:
    """The label map with sac, ligament and roots turned to plain canal."""
    return np.where(np.isin(labels, (Tissue.SAC, Tissue.FLAVUM, Tissue.ROOT)), np.uint16(Tissue.CANAL), labels)


def truth_record(rendered: Rendered, truth: Anatomy, found: Anatomy, matched: Mapping[str, str]) -> dict[str, Any]:
    """Joints and canal areas against formulas; those of surfaces against what is read from the true labels."""
    joints, areas = rendered.joints, rendered.areas_mm2
    if rendered.case.is_mesh:
        joints, areas = _joints_of(truth), _areas_of(truth)
    return joints_record(joints, found, matched) | areas_record(areas, found, matched)


def effect_record(
    case: HardCase, truth: Anatomy, found: Anatomy, matched: Mapping[str, str], with_intervals: bool = True
) -> dict[str, Any]:
    """One approach, planned on the truth, estimated on both anatomies; do its intervals cover?"""
    approach = _planned(case, truth)
    own = _found_name(case.level, matched)
    if own not in {level.name for level in found.levels}:
        raise AnatomyNotFound(f"level {case.level}", "was not found from the CT alone")
    true, ours = estimate(truth, approach), estimate(found, replace(approach, level=own))
    effect: dict[str, Any] = {"effect": differences(true, ours, approach)}
    return effect | ({"covered": coverage(true, intervals_of(ours), approach)} if with_intervals else {})


def _planned(case: HardCase, truth: Anatomy) -> Approach:
    """The default approach from the case's side, or from the other where that window is closed."""
    try:
        return default_approach(truth, case.level, case.side)
    except AnatomyNotFound:
        return default_approach(truth, case.level, other_side(case.side))


def _found_name(level: str, matched: Mapping[str, str]) -> str:
    return "-".join(matched.get(name, name) for name in level_vertebrae(level))


def _level_of(name: str, found: Anatomy, matched: Mapping[str, str]) -> Level | None:
    return next((level for level in found.levels if level.name == _found_name(name, matched)), None)


def _joints_of(truth: Anatomy) -> dict[str, Any]:
    return {
        level.name: {
            side: {"area_mm2": float(j.area_mm2.sum()), "angle_deg": j.angle_deg, "gap_mm": j.gap_mm}
            for side, j in level.joints.items()
        }
        for level in truth.levels
    }


def _areas_of(truth: Anatomy) -> dict[str, Any]:
    return {level.name: canal_areas(level, level.lower) for level in truth.levels}


def canal_areas(level: Level, lower: str) -> dict[str, float]:
    """'canal at disc' and 'canal at pedicle' of the lower vertebra, mm2, as far as measured."""
    return {
        m.at: m.value
        for m in level.measurements
        if m.name == "canal area" and m.structure in ("canal", f"canal of {lower}")
    }


def joints_record(joints: Mapping[str, Any], found: Anatomy, matched: Mapping[str, str]) -> dict[str, Any]:
    """Joints found and missed, and errors of angle, gap and area."""
    out: dict[str, Any] = {"joints_found": 0, "joints_missed": 0, "angle_deg": [], "gap_mm": [], "area_frac": []}
    for name, sides in joints.items():
        level = _level_of(name, found, matched)
        for side, true in sides.items():
            joint = None if level is None else level.joints.get(side)
            if joint is None or joint.area_mm2.sum() < LEAST_JOINT_MM2:
                out["joints_missed"] += 1
                continue
            out["joints_found"] += 1
            out["angle_deg"].append(joint.angle_deg - true["angle_deg"])
            out["gap_mm"].append(joint.gap_mm - true["gap_mm"])
            out["area_frac"].append(float(joint.area_mm2.sum()) / true["area_mm2"] - 1.0)
    return {"joints": out}


def areas_record(areas: Mapping[str, Any], found: Anatomy, matched: Mapping[str, str]) -> dict[str, Any]:
    """Relative errors of the canal's area at the disc and at the lower vertebra's pedicle, and how many are missing."""
    out: dict[str, Any] = {"canal at disc": [], "canal at pedicle": [], "missing": 0, "by_level": {}}
    for name, true in areas.items():
        level = _level_of(name, found, matched)
        ours = {} if level is None else canal_areas(level, level.lower)
        for at in ("canal at disc", "canal at pedicle"):
            if at in ours and at in true:
                out[at].append(ours[at] / true[at] - 1.0)
                out["by_level"].setdefault(_found_name(name, matched), {})[at] = ours[at] / true[at] - 1.0
            elif at in true:
                out["missing"] += 1
    return {"areas": out}


def differences(true: Estimate, ours: Estimate, approach: Approach) -> dict[str, float]:
    """What the same approach comes to on our anatomy less what it comes to on the true one."""
    side, far = approach.side, other_side(approach.side)
    out = {}
    for kind in ("cone", "task"):
        taken, whole = getattr(ours, kind).removal.total_mm3, getattr(true, kind).removal.total_mm3
        out[f"{kind} bone removed %"] = 100.0 * (taken / max(whole, 1.0) - 1.0)
    for word, one in (("ipsilateral", side), ("contralateral", far)):
        if one in true.cone.facets and one in ours.cone.facets:
            kept, ideal = ours.cone.facets[one], true.cone.facets[one]
            out[f"{word} facet area kept"] = kept.area_frac - ideal.area_frac
            out[f"{word} facet width kept"] = kept.width_frac - ideal.width_frac
            out[f"{word} facet volume kept"] = kept.volume_frac - ideal.volume_frac
    if far in true.reach and far in ours.reach:
        out["reach mm"] = ours.reach[far].lateral_mm - true.reach[far].lateral_mm
        sets = [(ours.reach[far].targets.get(n), share) for n, share in true.reach[far].targets.items()]
        shares = [a - b for a, b in sets if a is not None and np.isfinite([a, b]).all()]
        if shares:
            out["share of targets reached"] = float(np.mean(shares))
    return {name: float(value) for name, value in out.items() if np.isfinite(value)}


def coverage(true: Estimate, reported: Intervals, approach: Approach) -> dict[str, list[bool]]:
    """Does each 95 % interval of our estimate hold the true one's number? Lists, one entry for each interval."""
    pairs: list[tuple[str, Interval, float]] = []
    for kind in ("cone", "task"):
        cost, bound = getattr(true, kind), getattr(reported, kind)
        pairs.append((f"{kind} bone removed", bound.bone_mm3, cost.removal.total_mm3))
        for side, kept in cost.facets.items():
            pairs += [
                (f"{kind} facet {name}", interval, getattr(kept, name))
                for name, interval in bound.facets.get(side, {}).items()
            ]
    far = other_side(approach.side)
    if far in true.reach and "lateral_mm" in reported.reach.get(far, {}):
        pairs.append(("reach", reported.reach[far]["lateral_mm"], true.reach[far].lateral_mm))
    out: dict[str, list[bool]] = defaultdict(list)
    for name, interval, value in pairs:
        if np.isfinite([value, interval.value]).all():
            low, high = interval.without(BY_EXECUTION).ends  # the same approach on both anatomies
            out[name].append(bool(low - COVER_TOL <= value <= high + COVER_TOL))
    return dict(out)
