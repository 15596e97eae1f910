"""Scans of a phantom spine: CT, T2-like MR and label map on any grid.

Each voxel is the mean of the tissue it holds (its own box as point and slice profile),
then blurred by the scanner's point spread and given noise. Labels are those of the
voxel's centre. Supersampling is done only where tissues meet. The work goes block by
block, so memory stays near that of the arrays returned.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.anatomy.intensities import Material, Materials, ct_table_hu, mr_table, share_of
from canalwise.phantoms.anatomy.material import materials
from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.imaging.artefacts import patches, streaks_hu
from canalwise.phantoms.imaging.scanner import PhantomScan, Scanner, finished_scan
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import Labels

BLOCK_MM = 14.0
"""Edge of the blocks that are evaluated at once: small enough to skip most solids."""

SAMPLE_MM = 1.26
"""Voxel edges longer than this are divided before borders are looked for."""

BORDER_STEP_MM = 0.5
"""Border cells are sampled on a lattice no coarser than this."""


def render_scan(
    spec: SpineSpec,
    grid: Grid,
    *,
    seed: int = 0,
    noise_hu: float = 20.0,
    point_spread_fwhm_mm: float = 0.7,
    mr_noise: float = 15.0,
) -> PhantomScan:
    """CT, MR and labels of a spine on a grid; the keywords are those of `Scanner`.

    >>> tiny = Grid((3, 3, 3), np.diag([6.0, 6.0, 6.0, 1.0]))
    >>> render_scan(SpineSpec(), tiny).labels.shape == tiny.shape
    True
    """
    return scan_of(spine_of(spec), grid, Scanner(seed, noise_hu, point_spread_fwhm_mm, mr_noise))


def scan_of(spine: Spine, grid: Grid, scanner: Scanner) -> PhantomScan:
    """CT, MR and labels of a spine on a grid as a scanner takes them."""
    shares = (Material.TRABECULAR, Material.METAL)
    tables = np.stack([ct_table_hu(spine.spec), mr_table(), *(share_of(material) for material in shares)])
    labels, (ct, mr, marrow, metal) = painted(spine, grid, tables)
    if spine.spec.patchy_hu:
        ct += marrow * patches(grid, spine.spec.patchy_hu, scanner.seed)
    if scanner.streaks:
        ct += streaks_hu(metal, grid, scanner.seed)
    return finished_scan(ct, mr, labels, grid, scanner)


def rendered_labels(spec: SpineSpec, grid: Grid) -> Labels:
    """(nx, ny, nz) uint16 array: the labels of `render_scan` alone, without the mixtures at borders that cost the time.

    >>> tiny = Grid((3, 3, 3), np.diag([6.0, 6.0, 6.0, 1.0]))
    >>> bool((rendered_labels(SpineSpec(), tiny) == render_scan(SpineSpec(), tiny).labels).all())
    True
    """
    spine, labels = spine_of(spec), np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        labels[box] = _centre_labels(spine, grid.cropped(box))
    return labels


def painted(spine: Spine, grid: Grid, tables: Float) -> tuple[Labels, npt.NDArray[np.float32]]:
    """Labels by voxel centre, and the mean over each voxel of what some tables give for its materials.

    Parameters
    ----------
    tables : (n, materials) array, a value for each `Material`

    Returns
    -------
    labels : (nx, ny, nz) uint16 array
    images : (n, nx, ny, nz) float32 array
    """
    images = np.zeros((len(tables), *grid.shape), dtype=np.float32)
    labels = np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        labels[box], images[(slice(None), *box)] = _block(spine, grid, box, tables)
    return labels, images


def blocks(grid: Grid) -> Iterator[tuple[slice, slice, slice]]:
    """Index boxes of about BLOCK_MM that tile a grid.

    >>> grid = Grid((100, 50, 10), np.eye(4))
    >>> boxes = list(blocks(grid))
    >>> int(sum(np.ones(grid.shape)[box].sum() for box in boxes))
    50000
    """
    steps = np.maximum(np.rint(BLOCK_MM / grid.spacing_mm), 1).astype(int)
    for i, j, k in product(*(range(0, n, s) for n, s in zip(grid.shape, steps, strict=True))):
        yield (
            slice(i, min(i + steps[0], grid.shape[0])),
            slice(j, min(j + steps[1], grid.shape[1])),
            slice(k, min(k + steps[2], grid.shape[2])),
        )


def _block(spine: Spine, grid: Grid, box: tuple[slice, slice, slice], tables: Float) -> tuple[Labels, Float]:
    """Labels and the mean of each table (2, *shape) for one block."""
    part = grid.cropped(box)
    split = np.maximum(np.ceil(part.spacing_mm / SAMPLE_MM - 1e-9), 1).astype(int)
    fine = divided(part, split, rim=1)
    labels, found = _requested(spine, fine.voxel_centres_mm().reshape(-1, 3))
    cells = found.reshape(fine.shape)
    values = tables[:, cells]
    border = _borders(cells)
    border[[0, -1]] = border[:, [0, -1]] = border[:, :, [0, -1]] = False
    values[:, border] = _border_means(spine, fine, np.argwhere(border), tables)
    inner = values[:, 1:-1, 1:-1, 1:-1].reshape(
        len(tables), part.shape[0], split[0], part.shape[1], split[1], part.shape[2], split[2]
    )
    means = inner.mean(axis=(2, 4, 6))
    if (split % 2 == 1).all():
        inner_labels = labels.reshape(fine.shape)[1:-1, 1:-1, 1:-1]
        middle = inner_labels[split[0] // 2 :: split[0], split[1] // 2 :: split[1], split[2] // 2 :: split[2]]
    else:
        middle = _centre_labels(spine, part)
    return middle, means


def _centre_labels(spine: Spine, part: Grid) -> Labels:
    return spine.label_and_depth(part.voxel_centres_mm().reshape(-1, 3))[0].reshape(part.shape)


def divided(grid: Grid, split: npt.ArrayLike, rim: int) -> Grid:
    """The grid of cells when every voxel is split along each axis, with a rim of further cells around.

    >>> fine = divided(Grid((2, 2, 2), np.eye(4)), [2, 2, 1], rim=1)
    >>> fine.shape, fine.spacing_mm.tolist()
    ((6, 6, 4), [0.5, 0.5, 1.0])
    """
    split = np.asarray(split)
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] = affine[:3, :3] / split
    affine[:3, 3] = grid.world_mm(-0.5 + (0.5 - rim) / split)
    i, j, k = (int(n) * int(s) + 2 * rim for n, s in zip(grid.shape, split, strict=True))
    return Grid((i, j, k), affine)


def _requested(spine: Spine, points_mm: Float) -> tuple[Labels, Materials]:
    labels, depth = spine.label_and_depth(points_mm)
    return labels, materials(spine, points_mm, labels, depth)


def _borders(cells: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Cells with another tissue among their 26 neighbours."""
    border: npt.NDArray[np.bool_] = ndimage.maximum_filter(cells, 3) != ndimage.minimum_filter(cells, 3)
    return border


def _border_means(spine: Spine, fine: Grid, index: npt.NDArray[np.intp], tables: Float) -> Float:
    """(tables, N) array of means over a lattice of points in each border cell."""
    if not len(index):
        return np.zeros((len(tables), 0))
    counts = np.maximum(np.ceil(fine.spacing_mm / BORDER_STEP_MM - 1e-9), 2).astype(int)
    offsets = np.array(list(product(*((np.arange(n) + 0.5) / n - 0.5 for n in counts))))
    points = fine.world_mm((index[:, None, :] + offsets).reshape(-1, 3))
    cells = _requested(spine, points)[1].reshape(len(index), len(offsets))
    means: Float = tables[:, cells].mean(axis=-1)
    return means
