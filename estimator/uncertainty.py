"""What the borders of bone, canal and joints do to an estimate's numbers: an interval for each.

Bone borders are drawn in as a whole by their standard deviation and counted with the coverage already known; joints
lose and gain a rim on each side in turn; targets and the berth about the sac are moved, reach and removal asked anew.
Borders are taken to be off as a whole, all bone alike, as a threshold is; causes of different kinds are independent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from estimator.border import drawn_in
from estimator.decompression import PLANE_STEP_MM, PRESSING, canal_extent_mm, disc_plane
from estimator.estimate import Cost, Estimate, task_paths
from estimator.interval import SD_OF_95, Interval, sd_of_shift
from estimator.isthmus import pars_of, spinous_base, weak_places
from estimator.joint_interval import JointDoubt, facet_intervals, joint_doubt
from estimator.reach import AT_DISC, Reach, reach_of
from estimator.region import ConeRegion, Region, TaskRegion
from estimator.removal import Removal, removal_of
from estimator.task_targets import joined_mm
from recon.anatomy import Anatomy, Level, Targets
from recon.confidence import border_sd_mm
from recon.labels import SIDES, Mask, Part, Side, bone_mask, canal_mask
from recon.severity import Threshold

MODELLED_SD_MM = Threshold("thickness of a modelled ligament, and so the sac's border", 1.0, "mm",
                           "Yoshiiwa et al., Asian Spine J 2016;10:528 (4.16, SD 1.12 mm in worn discs)", "READ")
"""Between patients; a modelled ligament takes the mean, a modelled sac what it leaves."""

OPEN_CANAL_SD_MM = Threshold("one place of the wall of a canal found from bone, at the disc", 0.8, "mm",
                             "hard phantoms from CT alone (scripts/accuracy_hard.py)", "CALC")
"""Beside the disc no bone bounds the canal: there its wall is a smooth surface and a convention."""

HERE_VOXELS = 0.4
"""Deviation of one place of the canal's wall, where the farthest target lies, in voxels (scripts/why_intervals.py)."""

TARGET_SPACING_SD_MM = 0.5 / np.sqrt(12.0)
"""Targets stand every 0.5 mm (design, shared definitions): the last one touched is known to within that."""

CLEAR_EDGE = 8.0
"""Edge over noise that is taken where a level's confidence was not judged."""

Facets = Mapping[Side, Mapping[str, Interval]]


@dataclass(frozen=True)
class BoneIntervals:
    """Intervals of one kind of removal; facets by the patient's side and the name of the share."""

    bone_mm3: Interval
    facets: Facets
    pars_mm: Mapping[Side, Interval]
    undercut_frac: Interval
    bridge_mm: Interval


@dataclass(frozen=True)
class Intervals:
    """Every interval of an estimate; reach by side, then 'lateral_mm' or a target's name."""

    cone: BoneIntervals
    task: BoneIntervals
    reach: Mapping[Side, Mapping[str, Interval]]
    canal_before_mm2: Interval
    canal_after_mm2: Interval


@dataclass(frozen=True)
class Doubt:
    """Standard deviations, mm, of the positions of borders at a level.

    `canal_here_mm` is that of one place of the canal's wall, the others are those of whole borders.
    """

    bone_mm: float
    canal_mm: float
    canal_here_mm: float
    sac_mm: float
    ligament_mm: float
    joint: JointDoubt


def doubt_of(anatomy: Anatomy, level: Level) -> Doubt:
    """The level's border deviations, from its confidence where it was judged."""
    voxel_mm, sources = float(anatomy.grid.spacing_mm.max()), anatomy.sources
    sure = level.confidence
    clear = border_sd_mm(voxel_mm, CLEAR_EDGE, sources.get("parts", "automatic"))
    bone = [s.border_sd_mm for s in sure.structures if s.name != "canal"] if sure else [clear]
    wall = sure.border_sd_mm("canal") if sure else clear
    soft = {name: MODELLED_SD_MM.value if sources.get(name, "modelled") == "modelled" else wall
            for name in ("sac", "flavum")}
    joint = joint_doubt(sources.get("parts", "automatic"), voxel_mm, float(np.mean(bone)))
    open_mm = OPEN_CANAL_SD_MM.value if sources.get("canal") == "automatic" else 0.0
    here = float(np.linalg.norm([wall, HERE_VOXELS * voxel_mm, open_mm]))
    return Doubt(float(np.mean(bone)), wall, here, soft["sac"], soft["flavum"], joint)


def intervals_of(estimate: Estimate) -> Intervals:
    """An interval for every headline number of an estimate."""
    doubt = doubt_of(estimate.anatomy, estimate.level)
    bench = estimate.cone.removal.bench
    # drawing in needs no further coverage: no voxel that was empty is filled
    thin = replace(bench, bone_mm3=drawn_in(bench.bone_mm3 / np.float32(bench.grid.voxel_mm3), bench.grid,
                                            SD_OF_95 * doubt.bone_mm) * np.float32(bench.grid.voxel_mm3))
    cones, tasks = _regions(estimate, doubt)
    both = [_bone_intervals(estimate.level, cost, replace(cost.removal, bench=thin), regions, doubt)
            for cost, regions in ((estimate.cone, cones), (estimate.task, tasks))]
    before, after = _area_intervals(estimate, cones[0], doubt)
    return Intervals(both[0], both[1], {s: _reach_intervals(estimate, s, doubt) for s in estimate.reach}, before, after)


def _regions(estimate: Estimate, doubt: Doubt) -> tuple[tuple[Region, ...], tuple[Region, ...]]:
    """Cone and task, each as it is and with the berth about the sac SD_OF_95 deviations narrower and wider.

    Where the sac lies elsewhere other targets are touched, so the task takes other ways too.
    """
    own, channel = estimate.keep_out, estimate.approach.channel
    berths = [replace(own, berth_mm=own.berth_mm + sign * SD_OF_95 * doubt.sac_mm) for sign in (-1, 1)]
    points = joined_mm(estimate.task_targets_ras_mm)
    tasks = [TaskRegion(task_paths(estimate.anatomy, estimate.phases, berth, points), channel, berth)
             for berth in berths]
    cones = [ConeRegion(estimate.phases, berth) for berth in (own, *berths)]
    return tuple(cones), (TaskRegion(estimate.task_paths, channel, own), *tasks)


def _bone_intervals(level: Level, cost: Cost, thinner: Removal, regions: tuple[Region, ...],
                    doubt: Doubt) -> BoneIntervals:
    """Intervals of one removal.

    Parameters
    ----------
    thinner : the same removal with all bone borders drawn in by SD_OF_95 deviations
    regions : the removal's own, and those with the berth about the sac SD_OF_95 deviations narrower and wider
    """
    totals = [removal_of(cost.removal.bench, region).total_mm3 for region in regions[1:]]
    weak = weak_places(level, thinner.bench)
    base = spinous_base(weak.base, thinner)
    pars = {side: pars_of(weak.pars[side], thinner).residual_mm for side in SIDES}
    return BoneIntervals(
        _from_border(cost.removal.total_mm3, thinner.total_mm3).with_cause(
            "sac border", sd_of_shift(cost.removal.total_mm3, *totals)),
        {side: facet_intervals(level, side, regions, (cost.removal, thinner), doubt.joint) for side in cost.facets},
        {side: _pars(cost.pars[side].residual_mm, pars[side], doubt) for side in SIDES},
        _from_border(cost.spinous_base.undercut_frac, base.undercut_frac, most=1.0),
        _from_border(cost.spinous_base.bridge_mm, base.bridge_mm),
    )


def _from_border(value: float, thinner: float, most: float = np.inf) -> Interval:
    """The interval of a number that bone borders alone make uncertain; of not-a-number an empty one."""
    sd = sd_of_shift(value, thinner)
    return Interval(value, {} if np.isnan(sd) else {"bone border": sd}, 0.0, most)


def _pars(residual_mm: float, thinner_mm: float, doubt: Doubt) -> Interval:
    """A pars' interval: bone borders, and its medial end, which is a cut from the lamina and no border in the image."""
    told = _from_border(residual_mm, thinner_mm)
    return told if np.isnan(residual_mm) else told.with_cause("part split", doubt.joint.split_mm)


def _reach_intervals(estimate: Estimate, side: Side, doubt: Doubt) -> dict[str, Interval]:
    """'lateral_mm' and each target's share, with targets moved sideways and the sac's berth made wider and narrower."""
    found = estimate.reach[side]
    wall, berth = SD_OF_95 * doubt.canal_here_mm, SD_OF_95 * doubt.sac_mm
    by_cause = {"canal border": [_asked(estimate, side, sign * wall, 0.0) for sign in (-1, 1)],
                "sac border": [_asked(estimate, side, 0.0, sign * berth) for sign in (-1, 1)]}
    lateral = {cause: sd_of_shift(found.lateral_mm, *(reach.lateral_mm for reach in moved))
               for cause, moved in by_cause.items()}
    causes = lateral | {"target spacing": float(TARGET_SPACING_SD_MM)}
    told = {"lateral_mm": Interval(found.lateral_mm, causes, 0.0, _farthest_mm(estimate, side, doubt))}
    for name, share in found.targets.items():
        causes = {cause: sd_of_shift(share, *(r.targets[name] for r in moved)) for cause, moved in by_cause.items()}
        told[name] = Interval(share, causes if share == share else {}, 0.0, 1.0)
    return told


def _farthest_mm(estimate: Estimate, side: Side, doubt: Doubt) -> float:
    """How far the side's targets at disc level lie from the midline at most; no reach goes past them."""
    found = estimate.level.targets[side].points_ras_mm
    points = np.concatenate([np.empty((0, 3)), *(found[name] for name in AT_DISC if name in found)])
    outmost = np.abs(estimate.level.frame.to_level_mm(points)[:, 0]).max(initial=estimate.reach[side].lateral_mm)
    return float(outmost + SD_OF_95 * doubt.canal_here_mm)


def _asked(estimate: Estimate, side: Side, outward_mm: float, wider_mm: float) -> Reach:
    """The reach with a side's targets moved away from the midline and the berth about the sac widened."""
    level, targets = estimate.level, estimate.level.targets[side]
    way = level.frame.axes_ras[0] * (1.0 if side == "left" else -1.0) * outward_mm
    moved = Targets(side, {name: points + way for name, points in targets.points_ras_mm.items()})
    keep_out = replace(estimate.keep_out, berth_mm=estimate.keep_out.berth_mm + wider_mm)
    return reach_of(estimate.anatomy, level, moved, estimate.phases, keep_out)


def _area_intervals(estimate: Estimate, region: Region, doubt: Doubt) -> tuple[Interval, Interval]:
    """Free canal area before and after: each border's length times its deviation."""
    x, y, labels, world = disc_plane(estimate.anatomy, estimate.level)
    pressing = np.isin(labels, PRESSING)
    free = canal_mask(labels) & ~pressing
    freed = np.zeros(labels.shape, dtype=bool)
    freed[pressing] = region.holds(world[pressing])
    half_width, ventral, roof = canal_extent_mm(estimate.anatomy, estimate.level)
    within = (np.abs(x) <= half_width) & (y >= ventral) & (y <= roof)
    overhang = bone_mask(labels) & within & ~np.isin(labels % 100, (Part.BODY, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT))
    # where the region itself cuts bone the new wall lies where the tool put it, whatever the border was
    areas = estimate.decompression
    return (_area(areas.canal_area_before_mm2, free, pressing, overhang & False, doubt),
            _area(areas.canal_area_after_mm2, free | freed, pressing & ~freed, overhang, doubt))


def _area(value: float, free: Mask, pressing: Mask, cut: Mask, doubt: Doubt) -> Interval:
    """An area's interval: wall, but where the region itself cuts it, by the canal's border; ligament by its own."""
    ligament = _shared_mm(free, pressing)
    wall = _shared_mm(free, ~free) - ligament - _shared_mm(free, cut)
    return Interval(value, {"canal border": max(wall, 0.0) * doubt.canal_mm, "ligament": ligament * doubt.ligament_mm},
                    0.0)


def _shared_mm(one: Mask, other: Mask) -> float:
    """Length of the border that two masks of the disc-level plane share.

    Counted in cell faces along both axes and divided by 4/pi, the mean excess of stairs over a line of any direction.
    """
    faces = sum(int((a & d).sum() + (b & c).sum()) for a, b, c, d in (
        (one[1:], one[:-1], other[1:], other[:-1]), (one[:, 1:], one[:, :-1], other[:, 1:], other[:, :-1])))
    return float(faces * PLANE_STEP_MM * np.pi / 4)

