"""Coarse search for a piece of one scan in another: every place and a few turns are tried at once.

Masked normalised cross-correlation by Fourier transforms (Padfield, IEEE Trans Image Process 2012;21:2706, from
memory): what lies outside either scan does not count. Nothing need be known of where the patient lay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_box
from canalwise.recon.labels import Mask
from canalwise.recon.registration.rigid_motion import RigidMotion

COARSE_MM = 4.0
"""Edge of the voxels that are compared: a lamina still shows as a blur (scripts/accuracy_audit.py)."""

TURN_DEG = 14.0
"""Turns are tried this far apart, about each axis alone: finer registration catches what lies between."""

STARTS = 6
"""Places that are looked at more closely."""

APART_MM = 6.0
"""Two places of one turn nearer than this are one."""

LEAST_OVERLAP_FRAC = 0.45
"""A place is worth nothing where less of the piece lies in the scan."""

SEEN_FRAC = 0.9
"""A coarse voxel of which more is hidden does not count."""

Volume = npt.NDArray[np.float32]


@dataclass(frozen=True)
class CoarsePlace:
    """A rough motion, and the correlation (-1..1) of both scans there."""

    motion: RigidMotion
    correlation: float


def coarse_places(
    piece: Volume, mask: Mask, grid: Grid, other: Volume, other_grid: Grid, most: int = STARTS, *,
    hidden: Mask | None = None,
) -> tuple[CoarsePlace, ...]:  # fmt: skip
    """The likeliest places of a piece of one scan in another scan, likeliest first; empty where it fits nowhere.

    Parameters
    ----------
    piece, mask : (nx, ny, nz) arrays, values and where they count
    grid, other, other_grid : of the piece; the other scan's values and grid
    most : so many are returned
    hidden : array on the other grid, what does not count there
    """
    centre = grid.world_mm(np.argwhere(mask)).mean(axis=0)
    values, coarse_grid = _coarse(other, other_grid)
    seen = np.ones_like(values) if hidden is None else _coarse(~hidden, other_grid)[0] > SEEN_FRAC
    around = _Scene(values, seen.astype(np.float64), coarse_grid)
    found = [place for turn in _turns() for place in around.places(piece, mask, grid, (centre, turn))]
    return tuple(sorted(found, key=lambda place: -place.correlation)[:most])


def _turns() -> list[Float]:
    """(3, 3) arrays: none, and TURN_DEG in both directions about each axis."""
    cos, sin = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    turns = [np.eye(3)]
    for axis in range(3):
        for sign in (-1.0, 1.0):
            a, b = (axis + 1) % 3, (axis + 2) % 3
            turn = np.eye(3)
            turn[a, a] = turn[b, b] = cos
            turn[a, b], turn[b, a] = -sign * sin, sign * sin
            turns.append(turn)
    return turns


def _coarse(voxels: npt.NDArray[np.generic], grid: Grid) -> tuple[Volume, Grid]:
    """The scan on voxels of COARSE_MM along its own axes, blurred first as far as they grow."""
    ratio = COARSE_MM / grid.spacing_mm
    blur = 0.5 * np.sqrt(np.maximum(ratio**2 - 1.0, 0.0))
    smooth = np.asarray(ndimage.gaussian_filter(voxels.astype(np.float32), blur, mode="nearest"), dtype=np.float32)
    shape = np.maximum(np.floor((np.array(grid.shape) - 1) / ratio).astype(int) + 1, 2)
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= ratio
    i, j, k = (int(n) for n in shape)
    return linear_box(_thick(smooth), np.diag(ratio), np.zeros(3), (i, j, k)), Grid((i, j, k), affine)


def _thick(field: Volume) -> Volume:
    """A field at least two voxels thick along every axis."""
    return np.pad(field, [(0, max(2 - n, 0)) for n in field.shape], mode="edge")


@dataclass(frozen=True, eq=False)
class _Scene:
    """The other scan, made ready to be searched; `seen` is 1 where it counts, else 0."""

    values: Volume
    seen: Float
    grid: Grid

    def places(self, piece: Volume, mask: Mask, grid: Grid, at: tuple[Float, Float]) -> list[CoarsePlace]:
        centre, turn = at
        template, weight = self._turned(piece, mask, grid, centre, turn)
        score = self._scores(template, weight)
        return [self._place(peak, score, weight, centre, turn) for peak in _peaks(score)]

    def _turned(self, piece: Volume, mask: Mask, grid: Grid, centre: Float, turn: Float) -> tuple[Volume, Volume]:
        """Piece and mask on a lattice of the other scan's axes, turned about the piece's middle."""
        axes = self.grid.affine_ras_mm[:3, :3]
        reach = float(np.linalg.norm(grid.world_mm(np.argwhere(mask)) - centre, axis=1).max())
        half = int(np.ceil(reach / COARSE_MM)) + 1
        to_index = np.linalg.inv(grid.affine_ras_mm[:3, :3])
        matrix = to_index @ turn.T @ axes
        offset = grid.index_of(centre) - matrix @ np.full(3, float(half))
        shape = (2 * half + 1,) * 3
        blur = 0.5 * np.sqrt(np.maximum((COARSE_MM / grid.spacing_mm) ** 2 - 1.0, 0.0))
        weight = ndimage.gaussian_filter(mask.astype(np.float32), blur, mode="constant")
        value = ndimage.gaussian_filter(np.where(mask, piece, 0).astype(np.float32), blur, mode="constant")
        weights = np.clip(linear_box(_thick(weight), matrix, offset, shape), 0.0, 1.0)
        values = linear_box(_thick(value), matrix, offset, shape)
        solid = weights > 0.3
        return np.where(solid, values / np.maximum(weights, 0.3), 0).astype(np.float32), solid.astype(np.float32)

    def _scores(self, template: Volume, weight: Volume) -> Float:
        """Correlation for every place of the template's first voxel, from -its own size on."""
        shape = [fft.next_fast_len(a + b - 1, True) for a, b in zip(self.values.shape, template.shape, strict=True)]

        def forward(field: Float) -> npt.NDArray[np.complex128]:
            return np.asarray(fft.rfftn(field, shape))

        def both(one: npt.NDArray[np.complex128], two: npt.NDArray[np.complex128]) -> Float:
            return np.asarray(fft.irfftn(one * two, shape))

        middle = float(self.values.mean())
        values = (self.values - middle).astype(np.float64) * self.seen
        own = np.where(weight > 0, template - middle, 0).astype(np.float64)
        turned = (slice(None, None, -1),) * 3
        w, t, tt = (forward(field[turned]) for field in (weight.astype(np.float64), own, own**2))
        i1, iv, ivv = (forward(field) for field in (self.seen, values, values**2))
        n = np.maximum(both(w, i1), 1e-6)
        st, sv = both(t, i1), both(w, iv)
        cross = both(t, iv) - st * sv / n
        spread = np.maximum(both(tt, i1) - st**2 / n, 0) * np.maximum(both(w, ivv) - sv**2 / n, 0)
        least = LEAST_OVERLAP_FRAC * float(weight.sum())
        return np.where((n >= least) & (spread > 1e-3), cross / np.sqrt(np.maximum(spread, 1e-3)), -1.0)

    def _place(
        self, peak: tuple[int, int, int], score: Float, weight: Volume, centre: Float, turn: Float
    ) -> CoarsePlace:
        first = np.array(peak) - (np.array(weight.shape) - 1)
        middle = self.grid.world_mm(first + (np.array(weight.shape) - 1) / 2)
        return CoarsePlace(RigidMotion.about(centre, turn, middle - centre), float(score[peak]))


def _peaks(score: Float) -> list[tuple[int, int, int]]:
    """The best places of one turn, APART_MM apart."""
    wide = 2 * int(np.ceil(APART_MM / COARSE_MM)) + 1
    tops = np.argwhere((score == ndimage.maximum_filter(score, wide)) & (score > 0))
    order = np.argsort(-score[tuple(tops.T)], kind="stable")[:STARTS]
    return [(int(a), int(b), int(c)) for a, b, c in tops[order]]
