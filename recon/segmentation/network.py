"""A small network that classifies the voxels of a CT or MR: canal, disc, body or part of an arch.

It learnt from made-up images of the project's own shapes only (`scripts/train_prior.py`) and looks at voxels of 1 mm.
It takes a CT by its numbers and anything else scaled by its own first and 99th percentile, whatever the contrast.
It names what lies where; where bone ends is decided in the scan itself. Without its runtime or its file
`prior_kinds` answers None, and the spine is found from bony rings, sheets and basins alone.

What it tells apart is finer than most questions: `TissueClassMap.kind` counts sac and ligament as canal, and ribs,
ilium and organs as nothing of the spine; `TissueClassMap.detail` keeps them apart.

Method:

1. A volumetric encoder and decoder with skip connections (U-Net: Ronneberger et al. 2015, in 3D Cicek et al. 2016;
   citations from memory), 1.7 million weights for CT and 4.7 million for MR; it halves its input four times, so sizes
   are padded to multiples of 16.
2. Input: values on a grid of 1 mm with the scan's own axes, blurred first where voxels grow, so that no pattern is
   aliased; HU clipped and scaled, values without a unit scaled by their own percentiles. Output: twelve scores a voxel
   for CT, seventeen for MR, made probabilities by softmax. Left and right share a class; the side is found from the
   canal's coordinates afterwards, so the network need not learn which is which.
3. Long scans pass in slabs that also see a margin on either side; only the inner layers of each are kept, so the memory
   of a pass does not grow with the scan.
4. Where the canal's line is known, only the box that can hold the spine about it is looked at. An MR has none: all of
   it is looked at for the canal first, then the box about that, as it is and mirrored, and both are averaged: on two
   real MR, discs of one came out 4 % of Dice better so, arches of the other 1 % (`scripts/accuracy_network.py`).
5. One fixed number of threads: the same input gives the same bytes. Memory of one layer is used again for the next, for
   memory fresh from the system takes a quarter of the time; after each pass of a CT it is given back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache, partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Mask
from canalwise.recon.memory_budget import available_mb
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation.network_grid import GRAIN_MM, grain_grid, network_input
from canalwise.recon.segmentation.tissue_classes import SOFT_KINDS, TissueClass, TissueClassMap
from canalwise.recon.spine.region_of_interest import canal_line_mm, coarse

FILE, MR_FILE = (Path(__file__).with_name(name) for name in ("network.onnx", "network_mr.onnx"))
"""The network for CT, and the one for MR, which learnt from CT too and tells more kinds apart but sees a CT's joints
less sharply (`scripts/accuracy_network.py`)."""


SLAB, OVERLAP = 128, 32
"""Most layers along the spine that are kept of each pass, and further ones on either side that it also sees."""

AT_ONCE = 6_500_000
"""Voxels of a CT that pass at most in one piece, 1.1 GB (that for MR needs more): layers seen twice cost time."""

SETTINGS = (("session.use_env_allocators", "1"), ("session.use_device_allocator_for_initializers", "1"))
ARENA = {"arena_extend_strategy": 1, "max_dead_bytes_per_chunk": 1 << 20}
GIVE_BACK = {"memory.enable_memory_arena_shrinkage": "cpu:0"}
"""How the memory of one layer of the network for CT serves the next: it is taken as it is needed, and of a longer piece
the rest is used too; it goes back to the system at the end of a pass, not of the program."""

PLENTY_MB = 3000.0
"""A pass holds up to 0.5 GB more so; where less than this is available, and for MR, whose layers are larger, memory
comes fresh each time, as `recon.memory_budget` counts it. The answer is the same."""

ACROSS_MM, ALONG_MM, STRAY = (-56.0, 56.0), (-74.0, 54.0), (0.1, 0.5)
"""How far from the canal the network looks, along the scan's first and second axis (right and dorsal are negative):
transverse and spinous processes and bodies, with a margin, and what the canal may bend beyond its seen ends."""

NEAR_STEP = 3
"""Voxels of a block that is kept or dropped as one: far less than the margins above."""

MULTIPLE = 16
"""The network halves its input four times."""


Scores = Callable[[npt.NDArray[np.float32]], npt.NDArray[np.float32]]
"""What a network answers to a (1, 1, nx, ny, nz) array: a (1, kinds, nx, ny, nz) one."""


@cache
def _session(file: Path) -> Scores | None:
    """A network, ready to run; None without its runtime or file."""
    try:
        import onnxruntime
    except ImportError:
        return None
    if not file.exists():
        return None
    options = onnxruntime.SessionOptions()
    # One order of sums: the same input gives the same bytes, whatever the machine is busy with.
    options.intra_op_num_threads = 2
    options.log_severity_level = 3
    # Threads that wait for each other busily take a fifth more processor time, and time itself on a busy machine.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.enable_cpu_mem_arena = reused = file == FILE and (available_mb() or PLENTY_MB) >= PLENTY_MB
    if reused:
        for setting in SETTINGS:
            options.add_session_config_entry(*setting)
        kind, place = onnxruntime.OrtAllocatorType.ORT_ARENA_ALLOCATOR, onnxruntime.OrtMemType.DEFAULT
        memory = onnxruntime.OrtMemoryInfo("Cpu", kind, 0, place)
        onnxruntime.create_and_register_allocator(memory, onnxruntime.OrtArenaCfg(ARENA))
    session = onnxruntime.InferenceSession(str(file), options, providers=["CPUExecutionProvider"])
    return partial(_scores, session, GIVE_BACK if reused else {})


def _scores(session: Any, settings: Mapping[str, str], value: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    import onnxruntime

    given, answer = session.get_inputs()[0], session.get_outputs()[0]
    # Written into memory of our own: held among the network's, it would keep that from being given back.
    scores = np.empty((1, answer.shape[1], *value.shape[2:]), dtype=np.float32)
    bound, options = session.io_binding(), onnxruntime.RunOptions()
    bound.bind_cpu_input(given.name, value)
    bound.bind_output(answer.name, "cpu", 0, np.float32, scores.shape, scores.ctypes.data)
    for each in settings.items():
        options.add_run_config_entry(*each)
    session.run_with_iobinding(bound, options)
    return scores


def prior_kinds(scan: Scan) -> TissueClassMap | None:
    """What the network makes of a CT or MR; None where it cannot run."""
    session = _session(FILE if scan.kind.calibrated else MR_FILE)
    if session is None:
        return None
    grid = grain_grid(scan.grid)
    value = network_input(scan, grid)
    if scan.kind.calibrated:
        line = canal_line_mm(coarse(scan))
        return _seen(session, value, grid, line, _most_layers(line, grid))
    line = _canal_middle_mm(_seen(session, value, grid, None, SLAB))
    seen = _seen(session, value, grid, line, SLAB, mirrored=True, soft=SOFT_KINDS)
    if line is not None:
        _clear_far(seen, line)
    return seen


def _seen(
    session: Scores,
    value: npt.NDArray[np.float32],
    grid: Grid,
    line_mm: Float | None,
    most_layers: int,
    *,
    mirrored: bool = False,
    soft: Sequence[TissueClass] = (),
) -> TissueClassMap:
    """What the network makes of the box about a line, nothing elsewhere; of everything without a line.

    Parameters
    ----------
    value : (grid's shape) array, as the network takes it
    line_mm : (N, 3) array, RAS mm: the canal's middle
    most_layers : that are kept of one pass
    mirrored : the mean of what it makes of the patient and of the mirror image
    soft : kinds whose probabilities are kept too
    """
    kind, detail = np.zeros(grid.shape, dtype=np.uint8), np.zeros(grid.shape, dtype=np.uint8)
    bone = np.zeros(grid.shape, dtype=np.float32)
    frac = {one: np.zeros(grid.shape, dtype=np.float32) for one in soft}
    for layers, kept, inner in _slabs(grid.shape[2], most_layers):
        i, j = _about(line_mm, grid, layers)
        share = _shares(session, value[i, j, layers], inner)
        if mirrored:
            share += _shares(session, value[i, j, layers][::-1], inner)[:, ::-1]
            share /= 2.0
        detail[i, j, kept] = share.argmax(axis=0)
        bone[i, j, kept] = share[TissueClass.BODY : TissueClass.SACRUM + 1].sum(axis=0)
        # Adds the finer kinds to the coarser ones in place: what follows sees the canal whole.
        finer = len(share) > TissueClass.SACRUM + 1
        kind[i, j, kept] = _folded(share).argmax(axis=0) if finer else detail[i, j, kept]
        for one in frac:
            frac[one][i, j, kept] = share[one]
    return TissueClassMap(grid, kind, bone, detail, frac, value)


def _canal_middle_mm(seen: TissueClassMap) -> Float | None:
    """(N, 3) array, RAS mm: the middle of the canal seen in each layer that holds some; None where none does."""
    canal = cc3d.largest_k(seen.kind == TissueClass.CANAL, k=1, connectivity=6) > 0
    layers = np.flatnonzero(canal.any(axis=(0, 1)))
    if not len(layers):
        return None
    return seen.grid.world_mm([[*np.argwhere(canal[:, :, k]).mean(axis=0), k] for k in layers])


def _clear_far(seen: TissueClassMap, line_mm: Float) -> None:
    """Set to nothing what lies further from the canal than the network looks elsewhere (in place).

    Some organs at the sides of an MR, of which it learnt little, it takes for bone.
    """
    far = ~near_line(seen.grid, line_mm)
    for array in (seen.kind, seen.detail, seen.bone_frac, *seen.frac.values()):
        if array is not None:
            array[far] = 0


def near_line(grid: Grid, line_mm: Float) -> Mask:
    """(grid's shape) array: may a voxel be of the spine, by how it lies to the nearest point of the canal's line?

    Nearest in space, not in the voxel's own layer: a sacrum that slopes by 60 degrees lies twice as far in front of the
    canal there as it is deep. On blocks of NEAR_STEP voxels.
    """
    index = grid.index_of(line_mm)
    places = np.stack(np.meshgrid(*(np.arange(0, n, NEAR_STEP) for n in grid.shape), indexing="ij"), axis=-1)
    apart = places + (NEAR_STEP - 1) / 2 - index[cKDTree(index).query(places)[1]]
    beyond = np.maximum(np.maximum(index[:, 2].min() - places[..., 2], places[..., 2] - index[:, 2].max()), 0.0)
    near = np.ones(beyond.shape, dtype=bool)
    for axis, ((low, high), stray) in enumerate(zip((ACROSS_MM, ALONG_MM), STRAY, strict=True)):
        near &= (apart[..., axis] >= low / GRAIN_MM - stray * beyond) & (
            apart[..., axis] <= high / GRAIN_MM + stray * beyond
        )
    i, j, k = grid.shape
    return np.asarray(near.repeat(NEAR_STEP, 0).repeat(NEAR_STEP, 1).repeat(NEAR_STEP, 2)[:i, :j, :k])


def _folded(share: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """(12, nx, ny, nz) array: sac and ligament added to the canal, what is none of the spine's to the rest."""
    share[TissueClass.CANAL] += share[TissueClass.SAC : TissueClass.RIB].sum(axis=0)
    share[TissueClass.OTHER] += share[TissueClass.RIB :].sum(axis=0)
    return share[: TissueClass.SACRUM + 1]


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


def _most_layers(line_mm: Float | None, grid: Grid) -> int:
    """Layers of a CT that are kept of each pass: in as few passes as none is too large."""
    layers = grid.shape[2]
    for passes in range(1, -(-layers // SLAB)):
        most = -(-layers // passes)
        if all(_passed(line_mm, grid, seen) <= AT_ONCE for seen, _, _ in _slabs(layers, most)):
            return most
    return SLAB


def _passed(line_mm: Float | None, grid: Grid, layers: slice) -> int:
    """Voxels of some layers that pass the network."""
    spans = (*_about(line_mm, grid, layers), layers)
    return int(np.prod([-(-(span.stop - span.start) // MULTIPLE) * MULTIPLE for span in spans]))


def _slabs(layers: int, most: int) -> Iterator[tuple[slice, slice, slice]]:
    """(layers the network sees, layers kept of them, the same counted within what it sees)."""
    edges = np.linspace(0, layers, -(-layers // most) + 1).astype(int).tolist()
    for start, stop in pairwise(edges):
        low, high = max(start - OVERLAP, 0), min(stop + OVERLAP, layers)
        yield slice(low, high), slice(start, stop), slice(start - low, stop - low)


def _shares(session: Scores, value: npt.NDArray[np.float32], inner: slice) -> npt.NDArray[np.float32]:
    """(kinds, nx, ny, n) array: the network's probability of each kind in the inner layers of what it sees."""
    fill = [(0, -n % MULTIPLE) for n in value.shape]
    scores = session(np.pad(value, fill, mode="edge")[None, None])[0]
    share = scores[:, : value.shape[0], : value.shape[1], inner]
    # In place: the kinds of a slab are the most that a build holds.
    share -= share.max(axis=0)
    np.exp(share, out=share)
    share /= share.sum(axis=0)
    return np.asarray(share)
