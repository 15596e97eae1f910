"""From a CT to a label map: bone, canal, vertebrae, discs, parts, skin."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Naming
from canalwise.recon.bone.occupancy import BoneModel, bone_model, wall_mask
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float
from canalwise.recon.image.morphology import dilated
from canalwise.recon.image.skin import within_skin
from canalwise.recon.labels import Labels, Part, Tissue, vertebra_number
from canalwise.recon.naming.cues import column_cues
from canalwise.recon.naming.level_names import column_of, names
from canalwise.recon.parallel import both
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.segmentation.network import prior_kinds
from canalwise.recon.segmentation.network_instances import learnt_spine
from canalwise.recon.segmentation.network_refinement import fine_instances
from canalwise.recon.segmentation.osteophytes import with_spurs
from canalwise.recon.segmentation.seed_points import Seeds, check_canal_free
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap
from canalwise.recon.segmentation.watershed_instances import vertebra_instances
from canalwise.recon.spine.arch_parts import divide_arches
from canalwise.recon.spine.region_of_interest import coarse

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Segmentation:
    """What a CT or an MR alone shows.

    Parameters
    ----------
    labels : (nx, ny, nz) uint16 array of `recon.labels`; the canal's contents are Tissue.CANAL
    occupancy : (nx, ny, nz) float32 array, share of bone of the named vertebrae
    naming : what the names rest on
    warnings : sentences for people
    measured : what of the canal's contents was seen, not modelled: 'sac', 'flavum'
    """

    labels: Labels
    occupancy: npt.NDArray[np.float32]
    naming: Naming
    warnings: tuple[str, ...]
    measured: tuple[str, ...] = ()


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
    seeds : points a person laid into the canal, vertebrae or discs
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
    (found, seen), inside = both(lambda: _instances(scan, model, points.canal_mm()), lambda: within_skin(scan))
    report_step("names")
    shown = column_of(found, column_cues(found, coarse(scan) if wide is None else wide, seen))
    named = names(shown, levels, points.numbers(found.number, found.disc, found.field.grid))
    labels = np.where(inside, np.uint16(Tissue.SOFT), np.uint16(Tissue.OUTSIDE))
    lay_vertebrae(labels[found.box], found, named.by_number)
    labels[found.tube.mask & (labels < 100)] = Tissue.CANAL
    report_step("parts")
    labels = divide_arches(labels, scan.grid, found.tube)
    occupancy = np.zeros(scan.grid.shape, dtype=np.float32)
    occupancy[found.box] = found.occupancy
    return Segmentation(labels, of_named(occupancy, labels), named.naming, (*scan.warnings, *named.warnings))


def _instances(scan: Scan, model: BoneModel, canal_mm: Float) -> tuple[VertebraInstances, TissueClassMap | None]:
    """The vertebrae the network sees, and what it sees; by rings, sheets and basins where it misses a point."""
    seen = prior_kinds(scan)
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


def lay_vertebrae(labels: Labels, found: VertebraInstances, by_number: dict[int, str]) -> None:
    """Write bodies, undivided arches and discs of the named vertebrae into the box (in place)."""
    for n, name in by_number.items():
        base = 100 * vertebra_number(name)
        own = found.number == n
        labels[own] = base + found.part[own].astype(np.uint16)
        labels[(found.disc == n - 1) & (found.disc > 0)] = base + Part.DISC


def of_named(occupancy: npt.NDArray[np.float32], labels: Labels) -> npt.NDArray[np.float32]:
    """Occupancy kept on the labelled bone and the voxels that touch it."""
    bone = (labels >= 100) & (labels % 100 != Part.DISC)
    return np.where(dilated(bone), occupancy, np.float32(0.0))
