"""Standard deviations of a resection's numbers from uncertain borders, by number and cause.

1. Bone: all of it drawn in by SD_OF_95 deviations, the lines left where they are; cuts between parts are moved.
2. Joints: faces, rims and cuts as for every other removal (`estimator.removal.facet_interval`).
3. Tissue: a border that lies nearer or further than it was found is as a bite that is longer or shorter by that.
4. Areas: each border's length in the section times its deviation.
5. Reach: the border of the tissue farthest out, the midline it counts from, and the voxel it was found in.
6. From an MR alone, amounts of bone are less sure than any border: overhanging bone is dark as the ligament is.

How large the sac truly was before it was pressed is not weighed, only where its border is taken to lie.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from canalwise.estimator.execution.resection_numbers import (
    BONE_MM3,
    BRIDGE,
    DISC_AREA,
    FREED,
    LEAST_AREA,
    REACH,
    UNDERCUT,
    WorkedOut,
    bone_of_structure,
    numbers_of,
    share_of_structure,
)
from canalwise.estimator.interval import SD_OF_95, sd_of_shift
from canalwise.estimator.level.border_uncertainty import (
    BONE,
    CANAL,
    LIGAMENT,
    MIDLINE,
    MIDLINE_SD_MM,
    SPACING,
    SPLIT,
    area_causes,
    shared_border_mm,
)
from canalwise.estimator.outcome.base_bridge import base_bridge
from canalwise.estimator.outcome.freed import freed_by
from canalwise.estimator.removal.bone_removal import Removal
from canalwise.estimator.removal.facet_interval import joint_sds, split_frac
from canalwise.estimator.removal.facet_preservation import volume_kept_frac
from canalwise.estimator.removal.pars_and_spinous_base import pars_of
from canalwise.estimator.removal.structure_names import by_structure
from canalwise.estimator.resection.taken_tissue import bitten_frac
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Tissue, canal_mask
from canalwise.recon.modality import MR_ALONE_HEAD
from canalwise.recon.severity_bands import Threshold

Found = dict[str, dict[str, float]]

PLANE_STEP_MM = 0.5
"""Between the samples of a section whose borders are measured."""

HALF_PLANE_MM = 25.0
"""Half the edge of that section."""

ROOM = "room needed"
"""Cause: where the room needed ends, found from the sac between the pedicles above and below."""

ROOM_VOXELS = Threshold(
    "where the room needed is taken to end",
    0.06,
    "voxels",
    "32 plans on narrow phantoms, seen and true: areas 2.1 mm2 off (scripts/accuracy_resection_intervals.py)",
    "CALC",
)
"""Of the whole border alike."""

BRIDGE_VOXELS = Threshold(
    "where the least bridge of a spinous base is read",
    0.75,
    "voxels",
    "32 plans on narrow phantoms, seen and true: 0.71 mm off (scripts/accuracy_resection_intervals.py)",
    "CALC",
)
"""A bridge is the least of many rows, each cut somewhere else: it strays further than one border."""

LATTICE_SD = Threshold(
    "share freed, by the lattice on which tissue is gathered",
    0.005,
    "fraction",
    "plans on narrow phantoms, seen and true (scripts/accuracy_resection_intervals.py)",
    "CALC",
)
"""Tissue is gathered in cells of 1 mm, and each is taken or not."""

STRUCTURE_MM3 = Threshold(
    "bone of one structure, by the voxels that its cuts and the ends of tunnels are drawn on",
    4.0,
    "mm3",
    "39 plans on narrow phantoms, seen and true: 3.8 mm3 off beyond borders (scripts/accuracy_resection_intervals.py)",
    "CALC",
)
"""Up to what is taken of it. What one structure gets too much another gets too little: all bone has none of it."""

MR_ALONE = "MR alone"
"""Cause: bone that overhangs the canal looks on an MR as the ligament does, dark."""

MR_BONE_FRAC = Threshold(
    "bone that must go, read from an MR alone, as a share of it",
    0.65,
    "fraction",
    "choice after eight made-up spines, of which half the bone was missed (scripts/accuracy_resection_intervals.py)",
    "PRACTICE",
)
MR_STRUCTURE_MM3 = Threshold(
    "... and of each structure, even where none must go",
    100.0,
    "mm3",
    "choice after the same: 60 to 130 mm3 of a structure of which the plan reported none",
    "PRACTICE",
)


def border_causes(found: WorkedOut) -> Found:
    """Name of a number, as in `resection_numbers`, -> cause -> standard deviation; none where nothing is taken."""
    causes: Found = defaultdict(dict)
    for part in (_of_bone(found), _of_joints(found), _of_weak_places(found), _of_tissue(found), _of_areas(found)):
        for name, more in part.items():
            for cause, sd in more.items():
                if np.isfinite(sd):
                    causes[name][cause] = float(np.hypot(causes[name].get(cause, 0.0), sd))
    return dict(causes)


def _of_bone(found: WorkedOut) -> Found:
    """Bone taken, in all and by structure, and as shares of structures that end elsewhere themselves."""
    resection, cost = found.resection, found.cost
    level, side, thin = resection.at.level, resection.approach.side, _thin_removal(found)
    taken = by_structure(level, side, thin.by_label_mm3)
    whole = by_structure(level, side, thin.level_bone.whole_by_label_mm3)
    split_mm = found.prepared.border_uncertainty.joint.split_mm
    cut = by_structure(level, side, _cut_mm2(resection.removal))
    causes: Found = {BONE_MM3: {BONE: sd_of_shift(cost.total_mm3, thin.total_mm3)}}
    for name, mm3 in cost.by_structure_mm3.items():
        share = cost.share_of_structure[name]
        of_cut, of_voxels = min(cut[name] * split_mm, mm3 / 2), min(STRUCTURE_MM3.value, mm3)
        causes[bone_of_structure(name)] = {BONE: sd_of_shift(mm3, taken[name]), SPLIT: of_cut, SPACING: of_voxels}
        if mm3 > 0 and whole[name] > 0:
            causes[share_of_structure(name)] = {
                BONE: sd_of_shift(share, taken[name] / whole[name]),
                SPLIT: of_cut * share / mm3, SPACING: of_voxels * share / mm3,
            }  # fmt: skip
    if any(sentence.startswith(MR_ALONE_HEAD) for sentence in found.prepared.anatomy.warnings):
        _add_mr_bone(found, causes, whole)
    causes[UNDERCUT] = dict(causes.get(share_of_structure("spinous base"), {}))
    return causes


def _add_mr_bone(found: WorkedOut, causes: Found, whole: Mapping[str, float]) -> None:
    """What an MR alone leaves open of amounts of bone, beyond its borders (in place)."""
    causes[BONE_MM3][MR_ALONE] = MR_BONE_FRAC.value * found.cost.total_mm3
    for name, mm3 in found.cost.by_structure_mm3.items():
        sd = MR_STRUCTURE_MM3.value + MR_BONE_FRAC.value * mm3
        causes[bone_of_structure(name)][MR_ALONE] = sd
        if whole[name] > 0:
            causes.setdefault(share_of_structure(name), {})[MR_ALONE] = sd / whole[name]


def _thin_removal(found: WorkedOut) -> Removal:
    return replace(found.resection.removal, level_bone=found.prepared.thinner.level_bone)


def _cut_mm2(removal: Removal) -> dict[int, float]:
    """Label -> area of its cuts from other parts that runs through what is taken, mm2."""
    labels, grid = removal.level_bone.labels, removal.level_bone.grid
    index = np.stack(np.unravel_index(removal.voxels, labels.shape))
    found: dict[int, float] = defaultdict(float)
    for axis, spacing_mm in enumerate(grid.spacing_mm):
        step = np.zeros((3, 1), dtype=np.intp)
        step[axis] = 1
        for sign in (-1, 1):
            there = np.clip(index + sign * step, 0, np.array(labels.shape)[:, None] - 1)
            beside = labels[tuple(there)]
            cut = (beside != removal.labels) & (beside > 0)
            area = removal.taken_mm3[cut] / spacing_mm
            for label, mm2 in zip(*_summed(removal.labels[cut], area), strict=True):
                # each face counts along its own axis only: the root of the squares of three is taken below
                found[int(label)] = float(np.hypot(found[int(label)], mm2))
    return dict(found)


def _summed(labels: np.ndarray, amount: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    unique, at = np.unique(labels, return_inverse=True)
    return unique, np.bincount(at, weights=amount, minlength=len(unique))


def _of_joints(found: WorkedOut) -> Found:
    """Shares of joints that stay."""
    resection, prepared = found.resection, found.prepared
    causes: Found = {}
    thin, joint = _thin_removal(found), prepared.border_uncertainty.joint
    for side, kept in found.cost.facets.items():
        if len(resection.chosen):
            shares = joint_sds(prepared.level, side, resection.region, joint)
            causes |= {f"{side} {name}": dict(more) for name, more in shares.items()}
        split = split_frac(prepared.level, side, resection.removal.level_bone) * joint.split_mm
        causes[f"{side} volume_frac"] = {
            BONE: sd_of_shift(kept.volume_frac, volume_kept_frac(prepared.level, side, thin)),
            # a cut that moves brings no more of what is taken than was taken
            SPLIT: min(split, 1.0 - kept.volume_frac),
        }
    return causes


def _of_weak_places(found: WorkedOut) -> Found:
    """Widths of pars and bridge."""
    weak, thin = found.prepared.thinner.weak, _thin_removal(found)
    bridge = base_bridge(weak.base, thin).bridge_mm
    read_mm = float(found.resection.at.level_bone.grid.voxel_mm3 ** (1 / 3) / np.sqrt(12.0))
    rows_mm = BRIDGE_VOXELS.value * found.prepared.anatomy.longest_voxel_mm if len(found.resection.chosen) else read_mm
    causes: Found = {BRIDGE: {BONE: sd_of_shift(found.cost.base.bridge_mm, bridge), SPACING: rows_mm}}
    for side in SIDES:
        residual = found.cost.pars[side].residual_mm
        causes[f"{side} pars_mm"] = {
            BONE: sd_of_shift(residual, pars_of(weak.pars[side], thin).residual_mm),
            # its medial end is a cut from the lamina and no border in the image
            SPLIT: found.prepared.border_uncertainty.joint.split_mm,
            # where a width ends is seen to a voxel
            SPACING: read_mm,
        }
    return causes


def _of_tissue(found: WorkedOut) -> Found:
    """Shares freed, roots' room and reach."""
    resection, borders = found.resection, found.prepared.border_uncertainty
    if not len(resection.chosen):
        return {}
    # a modelled ligament is of one uncertain thickness all over; the canal's wall differs from place to place
    sd_mm = float(np.hypot(borders.ligament_mm, borders.canal_mm))
    own = numbers_of(found.cost, found.freed, found.reach)
    others = []
    for sign in (-1.0, 1.0):
        gone = resection.lines.tip[resection.chosen]
        bitten = bitten_frac(resection.at, resection.tips, gone, sign * SD_OF_95 * sd_mm)
        plain = bitten_frac(resection.at, resection.tips, gone)
        # what the tubes take on their path stays taken
        taken = np.where(resection.taken_frac > plain, np.maximum(bitten, resection.taken_frac), bitten)
        freed = freed_by(replace(resection, taken_frac=taken))
        others.append(numbers_of(found.cost, freed, found.reach))
    names = [FREED, *(f"{side} {FREED}" for side in SIDES), *(f"{side} root_mm" for side in SIDES)]
    causes = {name: {LIGAMENT: sd_of_shift(own[name], *(other[name] for other in others))} for name in names}
    for name in (FREED, *(f"{side} {FREED}" for side in SIDES)):
        causes[name][SPACING] = LATTICE_SD.value
    edge_mm = float(resection.at.level_bone.grid.voxel_mm3 ** (1 / 3))
    for side in SIDES:
        # tissue at a corridor's border is seen to a voxel
        causes[f"{side} root_mm"][SPACING] = edge_mm / float(np.sqrt(12.0))
    causes[REACH] = {
        CANAL: borders.canal_here_mm, MIDLINE: MIDLINE_SD_MM.value, SPACING: edge_mm / float(np.sqrt(12.0))
    }  # fmt: skip
    return causes


def _of_areas(found: WorkedOut) -> Found:
    """Free area after, where it is least and at the disc."""
    freed, areas = found.freed, found.freed.areas
    stations = {LEAST_AREA: int(areas.after_mm2.argmin()), DISC_AREA: freed.at_disc}
    return {name: _of_section(found, float(areas.z_mm[at])) for name, at in stations.items()}


def _of_section(found: WorkedOut, z_mm: float) -> dict[str, float]:
    """Cause -> standard deviation of one station's area after."""
    free, gone, pressing, cut = _section(found, z_mm)
    causes = area_causes((free & ~gone, pressing, cut | gone), PLANE_STEP_MM, found.prepared.border_uncertainty)
    # what is taken ends where the room does, or the bite, not where the image shows a border
    ends_mm = shared_border_mm(gone, ~free, PLANE_STEP_MM)
    return causes | {ROOM: ends_mm * ROOM_VOXELS.value * found.prepared.anatomy.longest_voxel_mm}


def _section(found: WorkedOut, z_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Masks over the samples of a station's section: free after, taken of the set, pressing still, and bone cut."""
    resection, wanted = found.resection, found.resection.at.wanted
    level_bone, frame = resection.at.level_bone, resection.at.level.frame
    index, inside = _samples(level_bone.grid.index_of(frame.to_world_mm(_plane_mm(z_mm))), level_bone.grid.shape)
    labels = np.where(inside, found.prepared.anatomy.labels[level_bone.box][index], 0)
    taken = np.zeros(level_bone.labels.size, dtype=np.float32)
    taken[wanted.voxels] = resection.taken_frac
    bony = np.zeros(level_bone.labels.size, dtype=bool)
    bony[wanted.voxels] = wanted.bone_mm3 > wanted.tissue_mm3
    gone = inside & (taken.reshape(level_bone.labels.shape)[index] > 0.5)
    pressing = np.isin(labels, (Tissue.FLAVUM, Tissue.CALCIFIED))
    cut = gone & bony.reshape(level_bone.labels.shape)[index]
    free = (canal_mask(labels) & ~pressing) | gone
    # bone removed beyond the canal leaves no border of the scan there either
    removed = inside & (resection.removal.taken_frac[index] > 0.5) & ~free
    return free, gone, pressing & ~gone, cut | removed


def _plane_mm(z_mm: float) -> Float:
    steps = np.arange(-HALF_PLANE_MM, HALF_PLANE_MM + PLANE_STEP_MM, PLANE_STEP_MM)
    x, y = np.meshgrid(steps, steps, indexing="ij")
    return np.stack([x, y, np.full_like(x, z_mm)], axis=-1)


def _samples(index: Float, shape: tuple[int, ...]) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
    """Nearest voxels of some (n, m, 3) indices, and which lie inside."""
    nearest = np.rint(index).astype(int)
    inside = np.asarray(((nearest >= 0) & (nearest < shape)).all(axis=-1))
    return tuple(np.moveaxis(np.where(inside[..., None], nearest, 0), -1, 0)), inside
