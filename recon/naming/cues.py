"""What a scan shows of each vertebra that may tell its name: the evidence, before any name is thought of.

Of the column found, caudal to cranial: what share of a vertebra the network takes for sacrum, whether solid bone fills
the flank beside its body (a sacrum's ala; psoas lies there at a lumbar vertebra), how the discs bend from one to the
next (the lumbosacral angle), how far a rib runs from it; and of the whole, where the iliac crests lie, whether the
column ends although the scan goes on, and whether its vertebrae are evenly spaced. Whatever the scan's own ends or
sides hide is None, and None counts for nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from canalwise.recon.bone.occupancy import bone_model
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.labels import Part
from canalwise.recon.naming.column_cues import UNSEEN_RIBS, ColumnCues, RibReach, VertebraCues
from canalwise.recon.naming.disc_slopes import bends_deg, disc_slopes_deg
from canalwise.recon.naming.flanks import flank_fracs
from canalwise.recon.naming.iliac_crest import crest_z_mm
from canalwise.recon.naming.rib_reach import rib_reaches
from canalwise.recon.naming.straightened import Straightened, straightened
from canalwise.recon.parallel import both
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap
from canalwise.recon.spine.arches import pedicle_heights_mm

BRIGHT_FRAC = 0.5
"""A coarse voxel this far from soft tissue to typical bone may be rib or wing: blood with contrast is less bright than
cortex, and ribs fill only part of a coarse voxel (choice)."""

SACRAL_LEAST_MM3 = 1500.0
"""Less of a vertebra in view says nothing of what it is."""

NEAR_PEDICLE_MM = 20.0
"""A body's middle is that of its voxels within this of its pedicle's height."""


def column_cues(found: VertebraInstances, wide: Scan, seen: TissueClassMap | None) -> ColumnCues:
    """The evidence a scan holds about the column found in it.

    Parameters
    ----------
    found : the vertebrae
    wide : a coarse copy of the whole scan, not cut down to the spine
    seen : what the network sees; None where it did not run
    """
    count = found.profile.count
    pedicles = pedicle_heights_mm(found.profile)
    spine = straightened(wide, found.tube)

    def beside() -> tuple[list[tuple[float, float] | None], list[float | None]]:
        kind = None if seen is None else spine.sampled(seen.kind, seen.grid)
        flanks: list[tuple[float, float] | None] = [None] * count
        if kind is not None:
            flanks = flank_fracs(spine, kind, pedicles)
        return flanks, _sacral_frac(found, seen, count)

    (ribs, crest), (flanks, sacral) = both(lambda: _ribs_and_crest(found, wide, spine, pedicles), beside)
    bends = bends_deg(disc_slopes_deg(found.disc, found.grid, count))
    each = tuple(VertebraCues(n, sacral[n - 1], flanks[n - 1], bends[n - 1], ribs[n - 1]) for n in range(1, count + 1))
    return ColumnCues(
        each,
        None if crest is None else _number_at(found, pedicles, crest),
        _below_mm(found, wide),
        spacing_frac(found.profile.pedicles_mm),
    )


def _ribs_and_crest(
    found: VertebraInstances, wide: Scan, spine: Straightened, pedicles_mm: Sequence[float]
) -> tuple[tuple[RibReach, ...], float | None]:
    """How far ribs run, and the iliac crests' height: of a CT; an MR tells neither by its brightness."""
    if not wide.kind.calibrated:
        return (UNSEEN_RIBS,) * len(pedicles_mm), None
    model = bone_model(wide)
    bright_hu = model.soft_hu + BRIGHT_FRAC * (model.wall_hu - model.soft_hu)
    return rib_reaches(spine, bright_hu, pedicles_mm), crest_z_mm(wide, found.tube, bright_hu)


def spacing_frac(pedicles_mm: Sequence[float]) -> tuple[float, ...]:
    """Distances of neighbouring pedicles, each over their median: 2 where one was missed, a half where one is too many.

    >>> spacing_frac((0.0, 35.0, 70.0, 140.0))
    (1.0, 1.0, 2.0)
    """
    steps = np.diff(pedicles_mm)
    return tuple((steps / np.median(steps)).tolist()) if len(steps) else ()


def _sacral_frac(found: VertebraInstances, seen: TissueClassMap | None, count: int) -> list[float | None]:
    """Share of each vertebra's bone that the network takes for sacrum."""
    if seen is None:
        return [None] * count
    own = found.number > 0
    number, sacrum = found.number[own], nearest_on(found.grid, seen.kind == TissueClass.SACRUM, seen.grid)[own]
    sacral = np.bincount(number[sacrum], minlength=count + 1)[1:]
    total = np.bincount(number, minlength=count + 1)[1:]
    enough = total * found.grid.voxel_mm3 >= SACRAL_LEAST_MM3
    return [float(part / whole) if much else None for part, whole, much in zip(sacral, total, enough, strict=True)]


def _number_at(found: VertebraInstances, pedicles_mm: Sequence[float], z_mm: float) -> float | None:
    """The vertebra number, with a fraction, whose body's middle lies at a RAS height; None outside the column."""
    body = np.argwhere(found.part == Part.BODY)
    at = tuple(body.T)
    number, along = found.number[at], found.along_mm[at]
    numbers, heights = [], []
    for n, pedicle in enumerate(pedicles_mm, start=1):
        near = (number == n) & (np.abs(along - pedicle) <= NEAR_PEDICLE_MM)
        if near.any():
            numbers.append(float(n))
            heights.append(float(found.grid.world_mm(body[near].mean(axis=0))[2]))
    inside = len(heights) >= 2 and heights[0] <= z_mm <= heights[-1]
    return float(np.interp(z_mm, heights, numbers)) if inside else None


def _below_mm(found: VertebraInstances, wide: Scan) -> float:
    """How far the scan goes on below the lowest bone of the column."""
    layers = np.flatnonzero((found.number == 1).any(axis=(0, 1)))
    if not len(layers):
        return 0.0
    lowest = found.grid.world_mm([[0, 0, layers[0]], [0, 0, layers[-1]]])[:, 2].min()
    ends = wide.grid.world_mm([[0, 0, 0], [0, 0, wide.grid.shape[2] - 1]])[:, 2]
    return float(max(lowest - ends.min(), 0.0))
