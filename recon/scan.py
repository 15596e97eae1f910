"""A scan that has passed the door: voxels, where they lie, and where they came from."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from canalwise.recon.errors import BadGeometry, UnusableInput
from canalwise.recon.grid import Box, Grid
from canalwise.recon.modality import MODALITIES, Modality, ModalityName

ACQUIRED = "acquired_mm"
"""Key of the provenance under which a resampled scan tells the voxel edges it was taken with."""

ACROSS = "pixels_across"
"""Key under which several stacks put together tell, each, its pixels across the spine and from which RAS z to which."""


@dataclass(frozen=True, eq=False)
class Scan:
    """Voxels on a grid whose array axes run nearest to R+, A+, S+.

    Parameters
    ----------
    voxels : (nx, ny, nz) array of int16 or float32; HU when `modality` is CT
    grid : of the same shape
    modality : 'CT' or 'MR'
    provenance : what the door learnt and may tell: format, slice count, spacings,
        rescale, resampling. Never a name, date, UID or path of the source.
    warnings : sentences for people
    """

    voxels: npt.NDArray[np.int16] | npt.NDArray[np.float32]
    grid: Grid
    modality: ModalityName
    provenance: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.voxels.shape != self.grid.shape:
            raise BadGeometry("scan", f"voxels must have the grid's shape {self.grid.shape}", got=self.voxels.shape)
        if self.voxels.dtype.kind == "f" and not np.isfinite(self.voxels).all():
            bad = int((~np.isfinite(self.voxels)).sum())
            raise UnusableInput(
                "scan",
                "voxels must all be finite",
                got=f"{bad} not-a-number or infinite voxels",
                do="Export the scan again, or fill the missing voxels with air.",
            )

    def __repr__(self) -> str:
        return f"<Scan {self.modality}, {self.voxels.dtype}, {self.grid!r}>"

    @property
    def kind(self) -> Modality:
        """The scan's modality: what its values mean and what it can show.

        >>> Scan(np.zeros((1, 1, 1), np.int16), Grid((1, 1, 1), np.eye(4)), "CT").kind.unit
        'HU'
        """
        return MODALITIES[self.modality]

    @property
    def acquired_mm(self) -> tuple[float, float, float]:
        """Voxel edges that the image was taken with: longer than the grid's where it was resampled.

        >>> voxel = Grid((1, 1, 1), np.eye(4))
        >>> Scan(np.zeros((1, 1, 1), np.int16), voxel, "MR", {ACQUIRED: "0.5 x 0.5 x 4.0"}).acquired_mm
        (0.5, 0.5, 4.0)
        """
        acquired = self.provenance.get(ACQUIRED)
        i, j, k = self.grid.spacing_mm if acquired is None else (float(part) for part in acquired.split(" x "))
        return float(i), float(j), float(k)

    def across_mm(self, z_mm: float) -> float:
        """The longer pixel edge across the spine, of the finest stack that shows a RAS height.

        >>> voxel = Grid((1, 1, 1), np.eye(4))
        >>> provenance = {ACQUIRED: "4.0 x 0.7 x 0.7", ACROSS: "0.60 -10.0 10.0"}
        >>> both = Scan(np.zeros((1, 1, 1), np.int16), voxel, "MR", provenance)
        >>> both.across_mm(0.0), both.across_mm(20.0)
        (0.6, 4.0)
        """
        best = max(self.acquired_mm[:2])
        for stack in filter(None, self.provenance.get(ACROSS, "").split("; ")):
            mm, low, high = (float(part) for part in stack.split())
            if low <= z_mm <= high:
                best = min(best, mm)
        return best

    def cropped(self, box: Box) -> Scan:
        """The part of the scan in an index box, in memory of its own.

        >>> Scan(np.zeros((4, 4, 4), np.int16), Grid((4, 4, 4), np.eye(4)), "CT").cropped((slice(1, 3),) * 3).grid.shape
        (2, 2, 2)
        """
        return replace(self, voxels=self.voxels[box].copy(), grid=self.grid.cropped(box))

    def on(self, grid: Grid) -> Scan:
        """The part of the scan that lies on a smaller grid cut from its own; the scan itself where there is none.

        >>> scan = Scan(np.arange(27, dtype=np.int16).reshape(3, 3, 3), Grid((3, 3, 3), np.eye(4)), "CT")
        >>> scan.on(scan.grid.cropped((slice(1, 2), slice(1, 2), slice(0, 3)))).voxels.ravel().tolist()
        [12, 13, 14]
        """
        start = np.rint(self.grid.index_of(grid.world_mm([0, 0, 0]))).astype(int)
        if start.min() < 0 or (start + grid.shape > self.grid.shape).any() or grid.shape == self.grid.shape:
            return self
        i, j, k = (slice(int(a), int(a) + n) for a, n in zip(start, grid.shape, strict=True))
        part = self.cropped((i, j, k))
        return part if part.grid.same_as(grid) else self
