"""From a scan, or a scan and labels made elsewhere, to the whole anatomy.

Bones and vertebrae, parts of the arches, canal, ligament and sac, levels: whatever is given enters
at the step where it belongs, the rest is found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Anatomy, Level, Naming, Source
from canalwise.recon.bone.occupancy import occupancy_within
from canalwise.recon.canal.calcification import with_calcified
from canalwise.recon.canal.soft_tissue_model import with_modelled_tissue
from canalwise.recon.canal.tube import CanalTube, canal_from_bone
from canalwise.recon.case.bone_anatomy import BoneAnatomy, MrTissue, mr_sources, mr_warnings, with_mr_tissue
from canalwise.recon.case.motion_segments import Frames, frames_of, levels_of
from canalwise.recon.errors import LevelNotInView
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.image.implants import metal_of, metal_warning, tamed
from canalwise.recon.image.reconstruction_circle import unpadded
from canalwise.recon.image.skin import with_soft_tissue
from canalwise.recon.intake.label_maps import GivenLabels
from canalwise.recon.labelling.ct_segmentation import segment
from canalwise.recon.labelling.mr_segmentation import segment_mr
from canalwise.recon.labels import (
    CANAL_CONTENTS,
    Labels,
    Part,
    Tissue,
    bone_mask,
    canal_mask,
    vertebra_number,
    vertebrae_in,
)
from canalwise.recon.level.resampled_level import disc_mask, neighbours
from canalwise.recon.level.unresolved import CANAL_ONLY, canal_only, is_canal_only, without_recess
from canalwise.recon.measurement.confidence import with_confidence
from canalwise.recon.memory_budget import check_memory
from canalwise.recon.naming.level_names import GIVEN
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.seed_points import Seeds
from canalwise.recon.spine.arch_parts import divide_arches
from canalwise.recon.spine.region_of_interest import coarse, spine_box
from canalwise.recon.steps import named_steps

Progress = Callable[[str], None]


def anatomy_of(
    scan: Scan,
    *,
    given: GivenLabels | None = None,
    vertebrae: Sequence[str] | None = None,
    progress: Progress | None = None,
    seeds: Seeds | None = None,
) -> Anatomy:
    """The anatomy of a scan.

    Parameters
    ----------
    given : labels made elsewhere, on the scan's grid; what they lack is found
    vertebrae : names in view, cranial to caudal, where the scan itself cannot tell
    progress : called with a sentence before each step
    seeds : points a person placed in canal, vertebrae or discs; used where these are found, not given

    Raises
    ------
    UnusableInput : no bone, no canal, or an MR that shows no lumbar spine
    LevelNotInView : no two neighbouring vertebrae with the disc between them are in view
    """
    with named_steps(progress) as say:
        return anatomy_of_bones(*bones_of_scan(scan, given, vertebrae, say, seeds), say)


def bones_of_scan(
    scan: Scan,
    given: GivenLabels | None,
    vertebrae: Sequence[str] | None,
    report_step: Progress,
    seeds: Seeds | None = None,
) -> tuple[Scan, BoneAnatomy]:
    """The part of the scan that holds the spine, and its bones, given or found."""
    through_mm = None if seeds is None else seeds.canal_mm()
    whole = unpadded(scan)
    wide = coarse(whole)
    scan, given = _located(whole, wide, given, through_mm, report_step)
    metal = metal_of(scan)
    shown = scan if metal is None else tamed(scan, metal)
    bones = (
        _bones_found(shown, wide, vertebrae, report_step, seeds)
        if given is None
        else bones_given(shown, given, report_step, through_mm)
    )
    if metal is not None:
        levels = {"-".join(pair): pair for pair in neighbours(vertebrae_in(bones.labels))}
        bones = replace(bones, warnings=(*bones.warnings, metal_warning(metal, bones.labels, scan.grid, levels)))
    return scan, replace(bones, corrections=() if seeds is None else seeds.records())


def anatomy_of_bones(scan: Scan, bones: BoneAnatomy, report_step: Progress) -> Anatomy:
    """Everything that follows from the bones: level frames, ligament and sac, levels, confidence."""
    report_step("finding level frames")
    frames, left_out = frames_of(bones.labels, bones.occupancy, scan.grid)
    if not frames:
        raise LevelNotInView(
            "scan",
            "must show two neighbouring vertebrae with the disc between them",
            got=", ".join(vertebrae_in(bones.labels)) or "no vertebra",
            do=" ".join(left_out),
        )
    report_step("laying ligament and sac")
    labels = bones.labels if bones.sources["canal"] == "given" else with_calcified(bones.labels, scan)
    labels = with_modelled_tissue(labels, scan.grid, frames)
    modelled: dict[str, Source] = {"sac": "modelled", "flavum": "modelled"}
    sources: dict[str, Source] = modelled | bones.sources
    levels: tuple[Level, ...] = ()
    if bones.mr is not None:
        labels = with_mr_tissue(labels, bones.mr)
    for how, mine in _by_source(bones.mr, sources, frames):
        levels += levels_of(
            labels, bones.occupancy, scan.grid, frames=mine, sources=how, progress=report_step, scan=scan
        )
        sources = how if mine.keys() == frames.keys() else sources
    warnings = bones.warnings + left_out + mr_warnings(bones.mr, frames)
    sure = with_confidence(in_order(levels), scan, labels, sources, bones.naming)
    acquired_mm = max(scan.acquired_mm)
    if is_canal_only(acquired_mm, sources, scan.kind.calibrated):
        sure, warnings = tuple(canal_only(level) for level in sure), (CANAL_ONLY, *warnings)
    if not scan.kind.calibrated and sources.get("parts", "automatic") == "automatic":
        sure = tuple(without_recess(level) for level in sure)
    resampled = acquired_mm > scan.grid.spacing_mm.max()
    return Anatomy(
        scan.grid,
        labels,
        bones.occupancy,
        sure,
        sources,
        warnings,
        bones.naming,
        bones.corrections,
        acquired_mm if resampled else 0.0,
    )


def _by_source(
    mr: MrTissue | None, sources: dict[str, Source], frames: Frames
) -> list[tuple[dict[str, Source], Frames]]:
    """The frames of levels whose sac and ligament an MR shows, and of the others, with where those come from."""
    from_mr = {pair: frame for pair, frame in frames.items() if mr is not None and pair in mr.carried.levels}
    rest = {pair: frame for pair, frame in frames.items() if pair not in from_mr}
    grouped = [(sources | ({} if mr is None else mr_sources(mr)), from_mr), (sources, rest)]
    return [(how, mine) for how, mine in grouped if mine]


def in_order(levels: Sequence[Level]) -> tuple[Level, ...]:
    """Levels, cranial to caudal."""
    return tuple(sorted(levels, key=lambda level: vertebra_number(level.upper)))


def _located(
    scan: Scan, wide: Scan, given: GivenLabels | None, through_mm: Float | None, report_step: Progress
) -> tuple[Scan, GivenLabels | None]:
    """Scan and labels cropped to the spine; reports the memory that the rest needs, and raises where there is less."""
    report_step("locating the spine")
    box = spine_box(scan, through_mm, wide)
    if box is not None and given is not None:
        bone = np.argwhere(bone_mask(given.labels))
        box = _widened(box, bone.min(axis=0), bone.max(axis=0)) if len(bone) else box
    part = scan if box is None else scan.cropped(box)
    report_step(check_memory(part.grid.shape, part.voxels.dtype))
    return part, given if box is None or given is None else replace(given, labels=given.labels[box])


def _widened(box: Box, low: npt.NDArray[np.intp], high: npt.NDArray[np.intp]) -> Box:
    """The index box grown to hold the voxels from low to high."""
    i, j, k = (slice(min(s.start, int(a)), max(s.stop, int(b) + 1)) for s, a, b in zip(box, low, high, strict=True))
    return i, j, k


def bones_given(scan: Scan, given: GivenLabels, report_step: Progress, through_mm: Float | None = None) -> BoneAnatomy:
    """Bones from labels made elsewhere; parts and canal are found where they are not given.

    The canal is found through the (M, 3) points that a person placed in it, RAS mm.
    """
    labels, tube, sources = given.labels, None, _given_sources(given)
    if "parts" not in given.named or (labels % 100 == Part.UNDIVIDED).any():
        report_step("finding the canal from the given bones")
        tube = tube_of(labels, scan.grid, through_mm)
        report_step("dividing the arches")
        labels = divide_arches(labels, scan.grid, tube)
    if not canal_mask(labels).any():
        labels = _with_canal(labels, tube or tube_of(labels, scan.grid, through_mm))
    report_step("placing bone borders within voxels")
    occupancy = occupancy_within(bone_mask(labels), scan)
    naming = Naming("given", GIVEN.value, "the names came with the label map; the scan was not consulted")
    return BoneAnatomy(with_soft_tissue(labels, scan), occupancy, sources, scan.warnings + given.warnings, naming)


def tube_of(labels: Labels, grid: Grid, through_mm: Float | None = None) -> CanalTube:
    """The canal of a label map; discs count as wall. It runs through the (M, 3) points given, RAS mm."""
    return canal_from_bone((bone_mask(labels) | disc_mask(labels)).astype(np.float32), grid, through_mm=through_mm)


def _with_canal(labels: Labels, tube: CanalTube) -> Labels:
    out = labels.copy()
    out[tube.mask & (labels < 100)] = Tissue.CANAL
    return out


def _given_sources(given: GivenLabels) -> dict[str, Source]:
    """How each thing was obtained when labels were given."""
    sources: dict[str, Source] = {"vertebrae": "given", "levels": "given"}
    for name in ("parts", "canal"):
        sources[name] = "given" if name in given.named else "automatic"
    if any((given.labels == tissue).any() for tissue in CANAL_CONTENTS):
        sources["canal"] = "given"
    for name in ("sac", "flavum"):
        if name in given.named:
            sources[name] = "given"
    return sources


def _bones_found(
    scan: Scan, wide: Scan, vertebrae: Sequence[str] | None, say: Progress, seeds: Seeds | None
) -> BoneAnatomy:
    """Bones from the scan itself; ribs and iliac crests, which names rest on, lie in the whole one's coarse copy."""
    if scan.kind.calibrated:
        found = segment(scan, vertebrae, say, seeds=seeds, wide=wide)
    else:
        found = segment_mr(scan, vertebrae, say, seeds=seeds)
    sources: dict[str, Source] = {
        "vertebrae": "automatic",
        "parts": "automatic",
        "canal": "automatic",
        "levels": "given" if found.naming.evidence == "given" else "automatic",
        **dict.fromkeys(found.measured, "measured"),
    }
    return BoneAnatomy(found.labels, found.occupancy, sources, found.warnings, found.naming)
