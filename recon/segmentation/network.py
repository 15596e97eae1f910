"""A small network that says what each place of a CT is: canal, disc, body or part of an arch.

It learnt from made-up images of the project's own shapes only (`scripts/train_prior.py`) and looks at voxels of 1 mm.
It names what lies where; where bone ends is decided in the scan itself. Without its runtime or its file
`prior_kinds` answers None, and the spine is found from bony rings, sheets and basins alone.

Method:

1. A volumetric encoder and decoder with skip connections (U-Net: Ronneberger et al. 2015, in 3D Cicek et al. 2016;
   citations from memory), 1.7 million weights; it halves its input four times, so sizes are padded to multiples of 16.
2. Input: HU clipped and scaled, on a grid of 1 mm with the scan's own axes, blurred first where voxels grow, so that
   no pattern is aliased. Output: twelve scores a voxel, made probabilities by softmax. Left and right share a class;
   the side is told from the canal's coordinates afterwards, so the network need not learn which is which.
3. Long scans pass in slabs that also see a margin on either side; only the inner layers of each are kept, so the memory
   of a pass does not grow with the scan.
4. Where the canal's line is known, only the box that can hold the spine about it is looked at.
5. One fixed number of threads and no arena: the same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Part
from canalwise.recon.scan import Scan
from canalwise.recon.spine.region_of_interest import canal_line_mm, coarse

FILE = Path(__file__).with_name("network.onnx")

GRAIN_MM = 1.0
"""Voxel edge the network was trained at."""

RANGE_HU, SCALE_HU = (-200.0, 1300.0), 500.0
"""Values the network sees, and what they are divided by, as in training."""

SLAB, OVERLAP = 128, 32
"""Most layers along the spine that are kept of each pass, and further ones on either side that it also sees."""

ACROSS_MM, ALONG_MM, STRAY = (-56.0, 56.0), (-74.0, 54.0), (0.1, 0.5)
"""How far from the canal the network looks, along the scan's first and second axis (right and dorsal are negative):
transverse and spinous processes and bodies, with a margin, and what the canal may bend beyond its seen ends."""

MULTIPLE = 16
"""The network halves its input four times."""

BLUR_FRAC = 0.5
"""Deviation of the blur against aliasing, per what the voxel edge grows by (root of the squares' difference)."""


class TissueClass(IntEnum):
    """What a place can be; sides are told apart later."""

    OTHER = 0
    CANAL = 1
    DISC = 2
    BODY = 3
    PEDICLE = 4
    PARS = 5
    LAMINA = 6
    SPINOUS = 7
    SUPERIOR = 8
    INFERIOR = 9
    TRANSVERSE = 10
    SACRUM = 11


PART_NAMES = {
    TissueClass.PEDICLE: "pedicle",
    TissueClass.PARS: "pars",
    TissueClass.LAMINA: "lamina",
    TissueClass.SUPERIOR: "superior_articular",
    TissueClass.INFERIOR: "inferior_articular",
    TissueClass.TRANSVERSE: "transverse",
}
"""Kinds that come in pairs, and their parts' names."""

MIDDLE_PARTS = {TissueClass.BODY: Part.BODY, TissueClass.SPINOUS: Part.SPINOUS_PROCESS}


@dataclass(frozen=True, eq=False)
class TissueClassMap:
    """What the network sees.

    Parameters
    ----------
    grid : about GRAIN_MM, its axes those of the scan
    kind : (nx, ny, nz) uint8 array of `TissueClass`
    bone_frac : (nx, ny, nz) float32 array, probability of any bone of the spine
    """

    grid: Grid
    kind: npt.NDArray[np.uint8]
    bone_frac: npt.NDArray[np.float32]


@cache
def _session() -> Any:
    """The network, ready to run; None without its runtime or file."""
    try:
        import onnxruntime
    except ImportError:
        return None
    if not FILE.exists():
        return None
    options = onnxruntime.SessionOptions()
    # One order of sums: the same input gives the same bytes, whatever the machine is busy with.
    options.intra_op_num_threads = 2
    options.log_severity_level = 3
    # An arena would keep the peak of a pass for the rest of the program.
    options.enable_cpu_mem_arena = False
    return onnxruntime.InferenceSession(str(FILE), options, providers=["CPUExecutionProvider"])


def prior_kinds(scan: Scan) -> TissueClassMap | None:
    """What the network makes of a CT; None where it cannot run."""
    if _session() is None:
        return None
    grid = grain_grid(scan.grid)
    value = np.clip(resampled(scan, grid), *RANGE_HU) / SCALE_HU
    kind = np.zeros(grid.shape, dtype=np.uint8)
    bone = np.zeros(grid.shape, dtype=np.float32)
    line = canal_line_mm(coarse(scan))
    for seen, kept, inner in _slabs(grid.shape[2]):
        i, j = _about(line, grid, seen)
        share = _shares(value[i, j, seen], inner)
        kind[i, j, kept] = share.argmax(axis=0)
        bone[i, j, kept] = share[TissueClass.BODY :].sum(axis=0)
    return TissueClassMap(grid, kind, bone)


def _about(line_mm: Float | None, grid: Grid, layers: slice) -> tuple[slice, slice]:
    """The part of some layers that can hold the spine, about the canal's line; all of them without a line.

    Where the line ends short of the layers it may have bent by a STRAY for each mm.
    """
    if line_mm is None:
        return slice(0, grid.shape[0]), slice(0, grid.shape[1])
    index = grid.index_of(line_mm)
    index = index[np.argsort(index[:, 2], kind="stable")]
    k = np.arange(layers.start, layers.stop)
    beyond = np.maximum(np.maximum(index[0, 2] - k, k - index[-1, 2]), 0.0)
    spans = []
    for axis, ((low, high), stray) in enumerate(zip((ACROSS_MM, ALONG_MM), STRAY, strict=True)):
        middle, bend = np.interp(k, index[:, 2], index[:, axis]), beyond * stray
        start, stop = (middle - bend + low / GRAIN_MM).min(), (middle + bend + high / GRAIN_MM).max()
        spans.append(slice(max(int(start), 0), min(int(stop) + 1, grid.shape[axis])))
    return spans[0], spans[1]


def grain_grid(grid: Grid) -> Grid:
    """The grid of GRAIN_MM over the same space with the same axes.

    >>> grain_grid(Grid((4, 4, 2), np.diag([0.5, 0.5, 2.0, 1.0]))).shape
    (2, 2, 4)
    """
    ratio = GRAIN_MM / grid.spacing_mm
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= ratio
    affine[:3, 3] = grid.world_mm((ratio - 1) / 2)
    i, j, k = (max(int(n), 1) for n in np.rint(np.array(grid.shape) / ratio))
    return Grid((i, j, k), affine)


def resampled(scan: Scan, grid: Grid) -> npt.NDArray[np.float32]:
    """(grid's shape) array: a scan's values on a grid with the same axes, blurred first where voxels grow."""
    ratio: Float = grid.spacing_mm / scan.grid.spacing_mm
    value = np.clip(scan.voxels, *RANGE_HU).astype(np.float32)
    value = ndimage.gaussian_filter(value, BLUR_FRAC * np.sqrt(np.maximum(ratio**2 - 1.0, 0.0)))
    offset = scan.grid.index_of(grid.world_mm([0, 0, 0]))
    return np.asarray(ndimage.affine_transform(value, ratio, offset, grid.shape, order=1, mode="nearest"))


def _slabs(layers: int) -> Iterator[tuple[slice, slice, slice]]:
    """(layers the network sees, layers kept of them, the same counted within what it sees)."""
    edges = np.linspace(0, layers, -(-layers // SLAB) + 1).astype(int).tolist()
    for start, stop in pairwise(edges):
        low, high = max(start - OVERLAP, 0), min(stop + OVERLAP, layers)
        yield slice(low, high), slice(start, stop), slice(start - low, stop - low)


def _shares(value: npt.NDArray[np.float32], inner: slice) -> npt.NDArray[np.float32]:
    """(kinds, nx, ny, n) array: the network's probability of each kind in the inner layers of what it sees."""
    fill = [(0, -n % MULTIPLE) for n in value.shape]
    scores = _session().run(None, {"hu": np.pad(value, fill, mode="edge")[None, None]})[0][0]
    share = scores[:, : value.shape[0], : value.shape[1], inner]
    # In place: twelve kinds of a slab are the most that a build holds.
    share -= share.max(axis=0)
    np.exp(share, out=share)
    share /= share.sum(axis=0)
    return np.asarray(share)
