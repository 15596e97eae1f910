"""The keep-out of the channel: the dural sac and labelled roots, less the retraction they allow.

A root yields like the sac does, so one thinner than twice the retraction stops nothing. Where the sac is interrupted,
for a stenosis presses it shut or the scan does not show it, its roots pass all the same: a straight piece joins both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import edt
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.estimator.geometry.field_sampling import above_half
from canalwise.estimator.geometry.line_of_sight import DistanceFieldArrays, sights
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid, box_of
from canalwise.recon.labels import Mask, Tissue
from canalwise.recon.parallel import thread_count
from canalwise.recon.severity_bands import Threshold

FIELD_SPACING_MM = 0.3
"""Coarsest spacing of the distance field; its zero is off by less than half of this."""

FIELD_MARGIN_MM = 8.0
"""How far round the sac the field reaches; beyond it sight counts as clear."""

SMOOTHING_VOXELS = 0.7
"""Blur that takes the voxel steps off a label's border before it is refined."""

LEVEL_REACH_MM = 30.0
"""Sac further than this from the level's origin stops nothing at that level."""


PRESSED_SAC_MM = Threshold(
    "radius of a sac that is pressed shut", 3.0, "mm", "choice: about 28 mm2 of roots without fluid", "PRACTICE"
)


@dataclass(frozen=True, eq=False)
class KeepOut:
    """A distance field about what must be kept out of, and how near the tool's axis may come.

    Parameters
    ----------
    grid : of the field
    distance_mm : (nx, ny, nz) array, unsigned distance to the retracted sac and roots, 0 within
    clearance_radius_mm : clearance plus tool radius
    """

    grid: Grid
    distance_mm: npt.NDArray[np.float32]
    clearance_radius_mm: float

    def of_tool(self, radius_mm: float) -> KeepOut:
        """What the axis of a tool must keep out of, where this is for one of no width."""
        return replace(self, clearance_radius_mm=self.clearance_radius_mm + radius_mm)

    @cached_property
    def field(self) -> DistanceFieldArrays:
        """The same as compiled loops take it."""
        to_index = np.asarray(np.linalg.inv(self.grid.affine_ras_mm)[:3], dtype=float)
        return DistanceFieldArrays(np.ascontiguousarray(self.distance_mm), to_index, float(self.clearance_radius_mm))

    def sight_mm(
        self, pivot_mm: Float, points_mm: Float, *, short_of_mm: float = 0.0, give_up_mm: float = -2.0
    ) -> Float:
        """By how much each straight line pivot -> point clears the berth, mm; negative = blocked.

        Parameters
        ----------
        pivot_mm, points_mm : (3,) and (N, 3) arrays of RAS mm
        short_of_mm : the line ends this far before the point
        give_up_mm : lines blocked by more than this are not measured further
        """
        out = np.empty(len(points_mm))
        pivot = np.asarray(pivot_mm, dtype=float).reshape(1, 3)
        sights(self.field, pivot, np.ascontiguousarray(points_mm, dtype=float), float(short_of_mm), give_up_mm, out)
        return out


def keep_out_of(anatomy: Anatomy, centre_ras_mm: Float, rules_mm: tuple[float, float, float]) -> KeepOut:
    """The keep-out about one level.

    Parameters
    ----------
    centre_ras_mm : (3,) array; only what lies within LEVEL_REACH_MM of it along each grid axis is looked at
    rules_mm : (retraction, clearance, tool radius)

    Raises
    ------
    AnatomyNotFound : no sac in the label map near the level
    """
    retraction_mm, clearance_mm, tool_radius_mm = rules_mm
    near = anatomy.grid.box_around(centre_ras_mm[None], LEVEL_REACH_MM)
    labels, grid = anatomy.labels[near], anatomy.grid.cropped(near)
    sac = labels == Tissue.SAC
    if not sac.any():
        raise AnatomyNotFound(
            "dural sac", "must be labelled or modelled at the level", do="Build the case again with a label map."
        )
    sac = joined_sac(sac, grid)
    i, j, k = ndimage.find_objects((sac | (labels == Tissue.ROOT)).astype(np.uint8))[0]
    labels, sac, grid = labels[i, j, k], sac[i, j, k], grid.cropped((i, j, k))
    finely, fine = _finely(sac, grid)
    blocked = _shrunk(finely, fine, retraction_mm)
    if (labels == Tissue.ROOT).any():
        blocked |= _shrunk(_finely(labels == Tissue.ROOT, grid)[0], fine, retraction_mm)
    return KeepOut(fine, _distance_mm(blocked, fine), clearance_mm + tool_radius_mm)


def joined_sac(sac: Mask, grid: Grid) -> Mask:
    """(same shape) array: the sac, and where it is interrupted along the patient a straight round piece of
    PRESSED_SAC_MM from the middle of one end to that of the other."""
    points = grid.world_mm(np.argwhere(sac))
    # layers thicker than any edge of a voxel: thinner ones would be empty between slices and pass for gaps
    layer = np.floor(points[:, 2] / (1.01 * float(grid.spacing_mm.max()))).astype(int)
    seen = np.unique(layer)
    gaps = np.flatnonzero(np.diff(seen) > 1)
    if not len(gaps):
        return sac
    out = sac.copy()
    for gap in gaps:
        low, high = (points[layer == seen[end]].mean(axis=0) for end in (gap, gap + 1))
        box = grid.box_around(np.stack([low, high]), PRESSED_SAC_MM.value)
        centres = grid.cropped(box).voxel_centres_mm()
        along = np.clip((centres - low) @ (high - low) / float((high - low) @ (high - low)), 0.0, 1.0)
        away = np.linalg.norm(centres - low - along[..., None] * (high - low), axis=-1)
        out[box] |= away <= PRESSED_SAC_MM.value
    return out


def _shrunk(mask: Mask, grid: Grid, by_mm: float) -> Mask:
    """(same shape) array: what lies deeper than `by_mm` in the mask."""
    # with a margin: depth is measured from the voxels outside
    out, box = np.zeros_like(mask), box_of(mask, margin=1)
    if box is not None:
        out[box] = _distance_mm(~mask[box], grid) > by_mm
    return out


def _distance_mm(mask: Mask, grid: Grid) -> npt.NDArray[np.float32]:
    """(same shape) array: distance to the mask's border outside it, 0 within.

    The border runs midway between voxel centres, so half a voxel is taken off.
    """
    spacing = [float(s) for s in grid.spacing_mm]
    distance = edt.edt(~mask, anisotropy=spacing, parallel=thread_count())
    distance -= np.float32(min(spacing) / 2)
    return np.maximum(distance, np.float32(0.0), out=distance)


def _finely(mask: Mask, grid: Grid) -> tuple[Mask, Grid]:
    """The mask on a grid no coarser than FIELD_SPACING_MM and FIELD_MARGIN_MM wider, its steps smoothed off."""
    pad = np.ceil(FIELD_MARGIN_MM / grid.spacing_mm).astype(int)
    smooth = ndimage.gaussian_filter(np.pad(mask, [(p, p) for p in pad]).astype(np.float32), SMOOTHING_VOXELS)
    steps = np.maximum(np.ceil(grid.spacing_mm / FIELD_SPACING_MM - 1e-6), 1).astype(int)
    i, j, k = ((np.array(smooth.shape) - 1) * steps + 1).tolist()
    fine = np.empty((i, j, k), dtype=bool)
    above_half(smooth, steps, fine)
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] = grid.world_mm(-pad)
    affine[:3, :3] /= steps
    return fine, Grid((i, j, k), affine)
