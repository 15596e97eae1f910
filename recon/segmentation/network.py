"""A small network that classifies the voxels of a CT: canal, disc, body or part of an arch.

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
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.grid import Float, Grid
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network_grid import GRAIN_MM, RANGE_HU, grain_grid, resampled
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap
from canalwise.recon.spine.region_of_interest import canal_line_mm, coarse

FILE = Path(__file__).with_name("network.onnx")


SCALE_HU = 500.0
"""What the network's input values are divided by, as in training."""

SLAB, OVERLAP = 128, 32
"""Most layers along the spine that are kept of each pass, and further ones on either side that it also sees."""

ACROSS_MM, ALONG_MM, STRAY = (-56.0, 56.0), (-74.0, 54.0), (0.1, 0.5)
"""How far from the canal the network looks, along the scan's first and second axis (right and dorsal are negative):
transverse and spinous processes and bodies, with a margin, and what the canal may bend beyond its seen ends."""

MULTIPLE = 16
"""The network halves its input four times."""


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
