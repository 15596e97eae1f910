"""From a CT to a label map: bone, canal, vertebrae, discs, parts, skin."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from canalwise.recon.bone.occupancy import BoneModel, bone_model, wall_mask
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.image.skin import within_skin
from canalwise.recon.labels import Tissue
from canalwise.recon.naming.cues import column_cues
from canalwise.recon.naming.level_names import column_of, names
from canalwise.recon.parallel import both
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.network_instances import learnt_spine
from canalwise.recon.segmentation.network_refinement import fine_instances
from canalwise.recon.segmentation.osteophytes import with_spurs
from canalwise.recon.segmentation.placed_labels import Segmentation, lay_vertebrae, of_named, without_ribs
from canalwise.recon.segmentation.seed_points import Seeds, check_canal_free
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap
from canalwise.recon.segmentation.watershed_instances import vertebra_instances
from canalwise.recon.spine.arch_parts import divide_arches
from canalwise.recon.spine.region_of_interest import coarse

Progress = Callable[[str], None]


def segment(
    scan: Scan,
    levels: Sequence[str] | None = None,
    progress: Progress | None = None,
    *,
    seeds: Seeds | None = None,
    wide: Scan | None = None,
) -> Segmentation:
    """Label a CT.

    Parameters
    ----------
    scan : a CT whose third axis runs nearest to cranial
    levels : names of the vertebrae in view, cranial to caudal; the most probable ones when left out
    progress : called with the name of each step
    seeds : points a person placed in the canal, vertebrae or discs
    wide : a coarse copy of the scan that `scan` was cut from, in which ribs and iliac crests are looked for

    Raises
    ------
    AnatomyNotFound : no canal or pedicle in view
    WrongUse : as many levels must be given as are in view
    UnusableInput : not a CT, or no bone in it
    """
    report_step = progress or (lambda step: None)
    report_step("bone")
    model = bone_model(scan)
    report_step("vertebrae")
    points = seeds or Seeds()
    points.check_in(scan.grid)
    check_canal_free(points.canal_mm(), wall_mask(scan, model) if len(points.canal_mm()) else None, scan.grid)
    # The network alone: it computes with two threads, and holds the most memory of all.
    prior = prior_kinds(scan)
    (found, seen), inside = both(lambda: _instances(scan, model, prior, points.canal_mm()), lambda: within_skin(scan))
    report_step("names")
    shown = column_of(found, column_cues(found, coarse(scan) if wide is None else wide, seen))
    named = names(shown, levels, points.numbers(found.number, found.disc, found.grid))
    labels = np.where(inside, np.uint16(Tissue.SOFT), np.uint16(Tissue.OUTSIDE))
    lay_vertebrae(labels[found.box], found, named.by_number)
    labels[found.tube.mask & (labels < 100)] = Tissue.CANAL
    report_step("parts")
    labels = divide_arches(labels, scan.grid, found.tube)
    without_ribs(labels, scan.grid, found.tube)
    occupancy = np.zeros(scan.grid.shape, dtype=np.float32)
    occupancy[found.box] = found.occupancy
    return Segmentation(labels, of_named(occupancy, labels), named.naming, (*scan.warnings, *named.warnings))


def _instances(
    scan: Scan, model: BoneModel, seen: TissueClassMap | None, canal_mm: Float
) -> tuple[VertebraInstances, TissueClassMap | None]:
    """The vertebrae the network sees, and what it sees; by rings, sheets and basins where it misses a point."""
    if seen is not None:
        check_canal_free(canal_mm, seen.kind >= TissueClass.BODY, seen.grid)
        seen = with_spurs(seen, scan, model)
        try:
            spine = learnt_spine(seen)
        except AnatomyNotFound:
            return vertebra_instances(scan, model, canal_mm), None
        if spine.tube.contains(canal_mm).all():
            return fine_instances(spine, seen, scan, model), seen
    return vertebra_instances(scan, model, canal_mm), None
