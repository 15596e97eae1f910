"""A segmentation as a label map: what was found, written under the names it was given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.anatomy import Naming
from canalwise.recon.canal.tube import CanalTube
from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import dilated
from canalwise.recon.labels import NOT_SACRAL, SACRUM, VERTEBRAE, Labels, Part, Tissue, vertebra_number
from canalwise.recon.segmentation.instances import VertebraInstances
from canalwise.recon.severity_bands import Threshold

PROCESS_END = Threshold(
    "end of thoracic transverse processes, aside of the canal's middle",
    27.0,
    "mm",
    "half spans of 23 mm at T12 and 26 at T11, from memory of Panjabi et al., Spine 1991;16:888; verify",
    "MEM",
)
"""What runs on from there is a rib."""


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


def lay_vertebrae(labels: Labels, found: VertebraInstances, by_number: dict[int, str]) -> None:
    """Write bodies, arches and discs of the named vertebrae into the box (in place).

    What the network takes for a part that a sacrum has not is left for `recon.spine.arch_parts` to name.
    `labels` (nx, ny, nz), of the shape of `found.number`.
    """
    boxes, disc_boxes = ndimage.find_objects(found.number), ndimage.find_objects(found.disc)
    for n, name in by_number.items():
        base = 100 * vertebra_number(name)
        if n <= len(boxes) and (box := boxes[n - 1]) is not None:
            own = found.number[box] == n
            parts = found.part[box][own].astype(np.uint16)
            if name == SACRUM:
                parts[np.isin(parts, NOT_SACRAL)] = Part.UNDIVIDED
            labels[box][own] = base + parts
        if 1 < n <= len(disc_boxes) + 1 and (box := disc_boxes[n - 2]) is not None:
            labels[box][found.disc[box] == n - 1] = base + Part.DISC


def without_ribs(labels: Labels, grid: Grid, tube: CanalTube) -> None:
    """Take ribs away from thoracic vertebrae, whose transverse processes they seem to prolong (in place).

    `labels` (nx, ny, nz) on `grid`, arches divided; `tube` is the canal.
    """
    thoracic = (labels >= 100 * VERTEBRAE["T1"]) & (labels < 100 * (VERTEBRAE["T12"] + 1))
    at = np.unravel_index(np.flatnonzero(thoracic), labels.shape)
    process = np.isin(labels[at] % 100, (Part.TRANSVERSE_LEFT, Part.TRANSVERSE_RIGHT))
    index = np.column_stack(at)[process]
    aside_mm = np.abs(tube.local_mm(grid.world_mm(index))[:, 0])
    labels[tuple(index[aside_mm > PROCESS_END.value].T)] = Tissue.SOFT


def of_named(occupancy: npt.NDArray[np.float32], labels: Labels) -> npt.NDArray[np.float32]:
    """Occupancy kept on the labelled bone and the voxels that touch it.

    Parameters
    ----------
    occupancy, labels : (nx, ny, nz) arrays on one grid

    Returns
    -------
    occupancy : (nx, ny, nz) array

    >>> labels = np.zeros((5, 1, 1), dtype=np.uint16)
    >>> labels[0] = 2001
    >>> of_named(np.ones(labels.shape, dtype=np.float32), labels).ravel().tolist()
    [1.0, 1.0, 0.0, 0.0, 0.0]
    """
    bone = (labels >= 100) & (labels % 100 != Part.DISC)
    return np.where(dilated(bone), occupancy, np.float32(0.0))
