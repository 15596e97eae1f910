"""The vertebrae the network sees, carried to the scan's own voxels, their bone bounded anew in the scan itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.bone.occupancy import BoneModel, occupancy_within
from canalwise.recon.canal.tube import canal_along
from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import grown_into, linear_on, nearest_on
from canalwise.recon.image.working_copy import refined_numbers
from canalwise.recon.labels import Mask, Part
from canalwise.recon.parallel import both
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.instances import NetworkSpine, VertebraInstances
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap
from canalwise.recon.spine.spine_field import along_canal_mm, field_box

BONE_FRAC = 0.4
"""The network's probability from which a voxel may be bone; the scan's own values then carve the border (choice)."""

DISC_FRAC = 0.6
"""Probability from which a voxel of an MR is disc: at a half discs come out 7 % too large on made-up examinations and
20 % on a real crop, at 0.6 2 % and 11 % (Dice 0.917 to 0.926 and 0.875 to 0.884)."""

FINE_MM = 0.9
"""Voxels no longer than this show joint gaps and borders better than the network's 1 mm (Dice 0.987..0.992 against
0.976..0.981 at 0.5 and 0.8 mm); at 1 mm both are alike, at 1.5 mm the scan's own values give 4 % too much bone, the
network 1 % (`scripts/why_learnt_border.py`)."""

SURE_FRAC = 0.1
"""Probabilities nearer than this to none or all count as such."""

STEPS = 255
"""Occupancy is held in steps of 1/255."""

REACH_VOXELS = 3
"""How far parts spread into bone of their vertebra that the network's coarser voxels did not name."""


def fine_instances(
    spine: NetworkSpine, seen: TissueClassMap, scan: Scan, model: BoneModel | None = None
) -> VertebraInstances:
    """Vertebrae on the scan's voxels.

    Parameters
    ----------
    spine : on the grid of `seen`
    scan, model : the CT and its tissue levels; an MR has none, its bone is what the network takes for bone
    """
    box, coarse = field_box(scan.grid, spine.tube), spine.field.grid
    part = scan.cropped(box)
    occupancy = _occupancy(linear_on(part.grid, seen.bone_frac, seen.grid), part, model)
    number = refined_numbers(spine.number, coarse, occupancy >= 0.5, part.grid)
    disc = np.where((number == 0) & _disc_seen(seen, part.grid), nearest_on(part.grid, spine.disc, coarse), 0)
    disc = disc.astype(np.uint8)
    occupancy = np.where((number > 0) | (occupancy < 0.5), occupancy, np.float32(0.0))
    # A disc is wall too: where it bulges the canal is narrower than the bones around it.
    wall = np.zeros(scan.grid.shape, dtype=np.float32)
    wall[box] = np.where(disc > 0, np.float32(1.0), occupancy)
    tube, parts = both(
        lambda: canal_along(wall, scan.grid, spine.tube.stations), lambda: _parts(spine, coarse, number, part.grid)
    )
    along_mm = along_canal_mm(part.grid, spine.tube)
    return VertebraInstances(box, number, parts, disc, occupancy, part.grid, along_mm, spine.profile, tube)


def _disc_seen(seen: TissueClassMap, grid: Grid) -> Mask:
    """(grid's shape) array: where a disc may lie; of a CT everywhere, for its kinds alone are kept."""
    frac = seen.frac.get(TissueClass.DISC)
    return np.ones(grid.shape, dtype=bool) if frac is None else linear_on(grid, frac, seen.grid) >= DISC_FRAC


def _occupancy(share: npt.NDArray[np.float32], part: Scan, model: BoneModel | None) -> npt.NDArray[np.float32]:
    """Share of bone of each voxel: by a CT's own values where fine, else the network's probability."""
    if model is not None and part.grid.spacing_mm.max() <= FINE_MM:
        return occupancy_within(share >= BONE_FRAC, part, model)
    near = np.clip((share - SURE_FRAC) / (1.0 - 2.0 * SURE_FRAC), 0.0, 1.0)
    return np.asarray(np.rint(near * STEPS) / STEPS, dtype=np.float32)


def _parts(spine: NetworkSpine, coarse: Grid, number: npt.NDArray[np.uint8], grid: Grid) -> npt.NDArray[np.uint8]:
    """(nx, ny, nz) array of Part; what lies too far from any named voxel of its own vertebra stays UNDIVIDED."""
    own = nearest_on(grid, spine.number, coarse) == number
    part = np.where(own & (number > 0), nearest_on(grid, spine.part, coarse), 0)
    for n, box in enumerate(ndimage.find_objects(number), start=1):
        if box is not None:
            mine = number[box] == n
            part[box][mine] = grown_into(np.where(mine, part[box], 0), mine, REACH_VOXELS)[mine]
    return np.where((number > 0) & (part == 0), Part.UNDIVIDED, part).astype(np.uint8)
