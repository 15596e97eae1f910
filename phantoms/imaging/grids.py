"""Voxel grids that cover some levels of a phantom spine."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.solid.pose import turn
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.grid import Float, Grid, isotropic_grid


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


@dataclass(frozen=True)
class GridRequest:
    """Specification of a case's grid: spacing along its axes, and turns against the patient's frame.

    >>> GridRequest((0.5, 0.5, 1.0)).spacing_mm[2]
    1.0
    """

    spacing_mm: tuple[float, float, float] = (0.5, 0.5, 0.5)
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    half_width_mm: float = 45.0
    ventral_mm: float = 5.0
    behind_mm: float = 4.0

    def grid(self, spec: SpineSpec, *levels: str) -> Grid:
        """The grid that covers some levels' vertebrae and the skin behind them."""
        upright = natural_grid(
            spec,
            1.0,
            levels,
            half_width_mm=self.half_width_mm,
            ventral_mm=self.ventral_mm,
            behind_mm=self.behind_mm,
        )
        return self.over(upright.world_mm([0, 0, 0]), upright.world_mm(np.array(upright.shape) - 1))

    def over(self, low_mm: Float, high_mm: Float) -> Grid:
        """The grid of voxel centres from corner to corner of an upright box, about whose middle it is turned."""
        size, centre = high_mm - low_mm + 1.0, (low_mm + high_mm) / 2
        axes = turn(0, self.turn_deg[0]) @ turn(1, self.turn_deg[1]) @ turn(2, self.turn_deg[2])
        shape = np.ceil(size / self.spacing_mm).astype(int)
        affine = np.eye(4)
        affine[:3, :3] = axes.T * np.array(self.spacing_mm)
        affine[:3, 3] = centre - affine[:3, :3] @ ((shape - 1) / 2)
        i, j, k = (int(n) for n in shape)
        return Grid((i, j, k), affine)
