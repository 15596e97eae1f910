"""Scans of a phantom spine: CT, T2-like MR and label map on any grid.

Each voxel is the mean of the tissue it holds (its own box as point and slice profile),
then blurred by the scanner's point spread and given noise. Labels are those of the
voxel's centre. Supersampling is done only where tissues meet. The work goes block by
block, so memory stays near that of the arrays returned.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.phantoms.anatomy.intensities import Material, Materials, ct_table_hu, mr_table, share_of
from canalwise.phantoms.anatomy.material import materials
from canalwise.phantoms.anatomy.spine import Spine, spine_of
from canalwise.phantoms.imaging.artefacts import outside_circle, patches, streaks_hu
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid, isotropic_grid
from canalwise.recon.labels import Labels, Tissue

BLOCK_MM = 14.0
"""Edge of the blocks that are asked at once: small enough to skip most solids."""

SAMPLE_MM = 1.26
"""Voxel edges longer than this are divided before borders are looked for."""

BORDER_STEP_MM = 0.5
"""Border cells are sampled on a lattice no coarser than this."""

NOISE_GRAIN_MM = 0.7
"""Correlation length of CT noise (sigma of its filter; typical of a soft-to-bone kernel; choice)."""

FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))


@dataclass(frozen=True, eq=False)
class PhantomScan:
    """What a scanner would give of a phantom, with its truth.

    Parameters
    ----------
    ct_hu : (nx, ny, nz) int16 array
    mr : (nx, ny, nz) int16 array, T2-like, arbitrary units
    labels : (nx, ny, nz) uint16 array of `recon.labels`, by voxel centre
    grid : of all three
    """

    ct_hu: npt.NDArray[np.int16]
    mr: npt.NDArray[np.int16]
    labels: Labels
    grid: Grid


@dataclass(frozen=True)
class Scanner:
    """How a scan is taken.

    Parameters
    ----------
    seed : of the noise
    noise_hu : standard deviation of CT noise
    point_spread_fwhm_mm : of the CT, isotropic
    mr_noise : standard deviation of MR noise in either channel
    streaks : do metal implants leave streaks in the CT?
    circle_mm : radius of the reconstruction about the middle of the slices; None fills them
    padding_hu : what is written outside it
    """

    seed: int = 0
    noise_hu: float = 20.0
    point_spread_fwhm_mm: float = 0.7
    mr_noise: float = 15.0
    streaks: bool = False
    circle_mm: float | None = None
    padding_hu: int = -1024

    def __post_init__(self) -> None:
        if min(self.noise_hu, self.point_spread_fwhm_mm, self.mr_noise) < 0:
            raise WrongUse("scanner", "must have non-negative noise and point spread", got=self)


def natural_grid(
    spec: SpineSpec,
    spacing_mm: float,
    levels: tuple[str, ...] | None = None,
    *,
    half_width_mm: float = 50.0,
    ventral_mm: float = 5.0,
    behind_mm: float = 4.0,
) -> Grid:
    """The upright grid that covers the vertebrae of some levels with the skin behind them.

    Parameters
    ----------
    levels : such as ('L3-L4',); None takes the whole spine
    half_width_mm : left and right of the midline
    ventral_mm, behind_mm : in front of the bodies and behind the skin

    >>> natural_grid(SpineSpec(), 1.0, ("L3-L4",)).shape[0]
    101
    """
    spine = spine_of(spec)
    wanted = spec.level_names if levels is None else levels
    names = {name for level in wanted for name in level.split("-")}
    corners = []
    for name in names:
        size = spine.vertebrae[name]
        ventral, half_height = -size.depth_mm - ventral_mm, size.height_mm / 2
        rim = list(product((0.0,), (ventral, 45.0), (-half_height - 6.0, half_height + 6.0)))
        corners.append(spine.poses[name].to_world_mm(rim))
    box = np.concatenate(corners)
    low, high = box.min(axis=0), box.max(axis=0)
    low[0], high[0] = spec.origin_ras_mm[0] - half_width_mm, spec.origin_ras_mm[0] + half_width_mm
    low[1] = _skin_behind(spine, low, high) - behind_mm
    return isotropic_grid(low, high, spacing_mm)


def _skin_behind(spine: Spine, low_mm: Float, high_mm: Float) -> float:
    """RAS y of the dorsal-most skin between two corners."""
    z = np.linspace(low_mm[2], high_mm[2], 40)
    y = np.linspace(low_mm[1] - 60.0, low_mm[1] + 30.0, 181)
    x = np.linspace(low_mm[0], high_mm[0], 5)
    points = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = spine.skin.distance_mm(points) < 0
    return float(points[inside, 1].min()) if inside.any() else float(low_mm[1])


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

    >>> tiny = natural_grid(SpineSpec(), 6.0, ("L3-L4",))
    >>> render_scan(SpineSpec(), tiny).labels.shape == tiny.shape
    True
    """
    return scan_of(spine_of(spec), grid, Scanner(seed, noise_hu, point_spread_fwhm_mm, mr_noise))


def scan_of(spine: Spine, grid: Grid, scanner: Scanner) -> PhantomScan:
    """CT, MR and labels of a spine on a grid as a scanner takes them."""
    shares = (Material.TRABECULAR, Material.METAL)
    tables = np.stack([ct_table_hu(spine.spec), mr_table(), *(share_of(material) for material in shares)])
    images = np.zeros((len(tables), *grid.shape), dtype=np.float32)
    labels = np.zeros(grid.shape, dtype=np.uint16)
    for box in blocks(grid):
        labels[box], images[(slice(None), *box)] = _block(spine, grid, box, tables)
    ct, mr, marrow, metal = images
    if spine.spec.patchy_hu:
        ct += marrow * patches(grid, spine.spec.patchy_hu, scanner.seed)
    if scanner.streaks:
        ct += streaks_hu(metal, grid, scanner.seed)
    return finished_scan(ct, mr, labels, grid, scanner)


def finished_scan(
    ct_hu: npt.NDArray[np.float32], mr: npt.NDArray[np.float32], labels: Labels, grid: Grid, scanner: Scanner
) -> PhantomScan:
    """A scan from noiseless, unblurred images: point spread, noise, whole numbers."""
    rng = np.random.default_rng(scanner.seed)
    sigma = scanner.point_spread_fwhm_mm / FWHM_PER_SIGMA / grid.spacing_mm
    ct = ndimage.gaussian_filter(ct_hu, sigma, mode="nearest")
    ct += _grain(grid, rng, scanner.noise_hu)
    real = ndimage.gaussian_filter(mr, sigma, mode="nearest") + _grain(grid, rng, scanner.mr_noise, 0.0)
    magnitude = np.hypot(real, _grain(grid, rng, scanner.mr_noise, 0.0))
    hu = np.clip(np.rint(ct), -1024, 3071).astype(np.int16)
    if scanner.circle_mm is not None:
        cut = np.broadcast_to(outside_circle(grid, scanner.circle_mm), grid.shape)
        hu[cut], labels = scanner.padding_hu, np.where(cut, np.uint16(Tissue.OUTSIDE), labels)
    return PhantomScan(hu, np.rint(magnitude).astype(np.int16), labels, grid)


def _grain(
    grid: Grid, rng: np.random.Generator, deviation: float, grain_mm: float = NOISE_GRAIN_MM
) -> npt.NDArray[np.float32]:
    """Gaussian noise of a given deviation, correlated over `grain_mm`."""
    noise = rng.standard_normal(grid.shape, dtype=np.float32)
    if grain_mm:
        noise = ndimage.gaussian_filter(noise, grain_mm / grid.spacing_mm, mode="wrap")
        noise /= max(float(noise.std()), 1e-9)
    return noise * np.float32(deviation)


def blocks(grid: Grid) -> Iterator[tuple[slice, slice, slice]]:
    """Index boxes of about BLOCK_MM that tile a grid."""
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
        middle = spine.label_and_depth(part.voxel_centres_mm().reshape(-1, 3))[0].reshape(part.shape)
    return middle, means


def divided(grid: Grid, split: npt.ArrayLike, rim: int) -> Grid:
    """The grid of cells when every voxel is split along each axis, with a rim of further cells around."""
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
