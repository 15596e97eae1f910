"""From an MR to a label map: canal, sac, ligament, discs, vertebrae, parts, skin, as the network sees them.

An MR's values have no unit: cortical bone, calcium and air are dark, marrow, fat and fluid bright, and each sequence
does it otherwise. So nothing is found by a threshold; every border is where the network's probability crosses a half,
and what it does not see is left out, not modelled. Ligament and sac are measured, which a CT hardly allows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cc3d
import numpy as np

from canalwise.recon.errors import UnusableInput
from canalwise.recon.image.morphology import linear_on
from canalwise.recon.image.skin import within_skin_of_mr
from canalwise.recon.labelling.mr_contents import contents_of
from canalwise.recon.labelling.mr_sac import interruption_sentence, interruptions
from canalwise.recon.labels import Labels, Mask, Tissue, bone_mask
from canalwise.recon.memory_budget import check_memory, whole_network_mb
from canalwise.recon.modality import FROM_MR_ALONE
from canalwise.recon.naming.cues import column_cues
from canalwise.recon.naming.level_names import column_of, names
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.network_grid import grain_grid
from canalwise.recon.segmentation.network_instances import learnt_spine
from canalwise.recon.segmentation.network_refinement import fine_instances
from canalwise.recon.segmentation.placed_labels import Segmentation, lay_vertebrae, of_named
from canalwise.recon.segmentation.seed_points import Seeds, check_canal_free
from canalwise.recon.segmentation.spine_seen import check_head_up, check_spine_seen
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap
from canalwise.recon.spine.arch_parts import divide_arches
from canalwise.recon.spine.region_of_interest import coarse

Progress = Callable[[str], None]

CANAL_FRAC = 0.5
"""Probability from which a voxel is canal."""

LEAST_SAC_MM3, LEAST_FLAVUM_MM3 = 1000.0, 100.0
"""Less is none seen: a centimetre of a narrow sac, and the ligament of one side of a level (choice)."""


def segment_mr(
    scan: Scan, levels: Sequence[str] | None = None, progress: Progress | None = None, *, seeds: Seeds | None = None
) -> Segmentation:
    """Label an MR.

    Parameters
    ----------
    scan : an MR on about isotropic voxels (`recon.examination.working_volume`), its third axis nearest to cranial
    levels : names of the vertebrae in view, cranial to caudal; the most probable ones when left out
    progress : called with the name of each step
    seeds : points a person placed in the canal, vertebrae or discs

    Raises
    ------
    AnatomyNotFound : no canal or pedicle in view
    WrongUse : as many levels must be given as are in view
    UnusableInput : the network cannot run, or what it sees is no lumbar spine
    """
    say = progress or (lambda step: None)
    say("vertebrae")
    points = seeds or Seeds()
    points.check_in(scan.grid)
    network_mb = whole_network_mb(grain_grid(scan.grid).shape)
    say(check_memory(scan.grid.shape, scan.voxels.dtype, least_mb=network_mb))
    seen = _seen(scan)
    check_spine_seen(seen)
    check_canal_free(points.canal_mm(), seen.kind >= TissueClass.BODY, seen.grid)
    spine = learnt_spine(seen)
    check_head_up(spine, seen)
    found = fine_instances(spine, seen, scan)
    say("names")
    shown = column_of(found, column_cues(found, coarse(scan), seen))
    named = names(shown, levels, points.numbers(found.number, found.disc, found.grid))
    say("parts")
    tissue = seen.kind > TissueClass.OTHER
    inside = within_skin_of_mr(scan, linear_on(scan.grid, tissue.astype(np.float32), seen.grid) >= 0.5)
    labels = np.where(inside, np.uint16(Tissue.SOFT), np.uint16(Tissue.OUTSIDE))
    lay_vertebrae(labels[found.box], found, named.by_number)
    _lay_canal(labels, found, seen, scan)
    labels = divide_arches(labels, scan.grid, found.tube)
    measured = _lay_contents(labels, found, seen, scan)
    gaps = [interruption_sentence(*gap) for gap in interruptions(labels == Tissue.SAC, scan.grid)]
    occupancy = np.zeros(scan.grid.shape, dtype=np.float32)
    occupancy[found.box] = found.occupancy
    warnings = (FROM_MR_ALONE, *scan.warnings, *gaps, *named.warnings)
    return Segmentation(labels, of_named(occupancy, labels), named.naming, warnings, measured)


def _seen(scan: Scan) -> TissueClassMap:
    seen = prior_kinds(scan)
    if seen is None:
        raise UnusableInput(
            "an MR", "needs the network to be read", do="Install onnxruntime, or give label maps with --labels."
        )
    return seen


def _lay_canal(labels: Labels, found: VertebraInstances, seen: TissueClassMap, scan: Scan) -> None:
    """The canal written (in place): what the network takes for it, in one piece.

    A CT's canal is what its bony wall leaves (`found.tube`), closed by a smooth surface where there is no bone. On an
    MR the network's own border is nearer to the truth: Dice 0.95 against 0.92, and the tube bulges into the foramina,
    17 % of the area at the disc (one made-up examination, `scripts/accuracy_mr.py`).
    """
    part = labels[found.box]
    frac = linear_on(scan.grid.cropped(found.box), seen.frac[TissueClass.CANAL], seen.grid)
    part[_largest(frac >= CANAL_FRAC) & (part < 100)] = Tissue.CANAL


def _lay_contents(labels: Labels, found: VertebraInstances, seen: TissueClassMap, scan: Scan) -> tuple[str, ...]:
    """Sac and ligament written into the canal (in place); the names of those seen."""
    grid = scan.grid.cropped(found.box)
    part = labels[found.box]
    contents = contents_of(lambda one: linear_on(grid, seen.frac[one], seen.grid), scan.voxels[found.box], part, grid)
    measured = []
    for name, mask, tissue, least_mm3 in (
        ("sac", contents.sac, Tissue.SAC, LEAST_SAC_MM3),
        ("flavum", contents.flavum, Tissue.FLAVUM, LEAST_FLAVUM_MM3),
    ):
        if mask.sum() * grid.voxel_mm3 >= least_mm3:
            part[mask & ~bone_mask(part)] = tissue
            measured.append(name)
    return tuple(measured)


def _largest(mask: Mask) -> Mask:
    return np.asarray(cc3d.largest_k(mask, k=1, connectivity=6) > 0) if mask.any() else mask
