"""Ligamentum flavum and dural sac modelled from the canal, where no image or label gives them."""

from __future__ import annotations

from collections.abc import Mapping

import edt
import numpy as np

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.labels import Labels, Mask, Part, Tissue, canal_mask, label_of
from canalwise.recon.severity_bands import Threshold, flavum_thickness_mm

EPIDURAL_MARGIN = Threshold("epidural margin", 1.0, "mm", "modelling choice, no source", "PRACTICE")
"""Fat and veins between the sac and what bounds it, all round."""

SAC_ROUNDING = Threshold("least radius of the sac's outline", 3.0, "mm", "modelling choice, no source", "PRACTICE")
"""The sac fills no corner sharper than this."""

REACH_MM = 40.0
"""Half the size of the region about a level in which its ligament is laid."""


def with_modelled_tissue(labels: Labels, grid: Grid, frames: Mapping[tuple[str, str], Frame]) -> Labels:
    """(same shape) labels with FLAVUM and SAC laid into the empty canal; given ones stay.

    Parameters
    ----------
    frames : (upper, lower) -> level frame, of every level whose ligament is to be laid

    Notes
    -----
    The ligament is the layer of published thickness inside the canal's dorsolateral wall, from mid-height of the
    upper laminae to the upper edge of the lower ones, laterally as far ventral as the facet joints
    reach. The sac is what is left, less EPIDURAL_MARGIN, opened with a ball of SAC_ROUNDING.
    """
    out = labels.copy()
    if not (labels == Tissue.FLAVUM).any():
        for (upper, lower), frame in frames.items():
            _lay_flavum(out, grid, frame, (upper, lower))
    if not (labels == Tissue.SAC).any():
        _lay_sac(out, grid)
    return out


def _lay_flavum(labels: Labels, grid: Grid, frame: Frame, pair: tuple[str, str]) -> None:
    corners = frame.to_world_mm(np.stack(np.meshgrid(*[(-REACH_MM, REACH_MM)] * 3), axis=-1).reshape(-1, 3))
    box = grid.box_around(corners)
    part, part_grid = labels[box], grid.cropped(box)
    span = _span(part, part_grid, frame, pair)
    if span is None or not canal_mask(part).any():
        return
    thickness = flavum_thickness_mm("-".join(pair)).value
    # Only what lies in the canal, and the wall within reach of it, matters.
    box = _around(canal_mask(part), int(np.ceil(thickness / part_grid.spacing_mm.min())) + 2)
    part, part_grid = part[box], part_grid.cropped(box)
    _, dorsal, height = _level_coordinates(part_grid, frame)
    canal = canal_mask(part)
    low, high, ventral = span
    layer = (height >= low) & (height <= high)
    wall = ~canal & (dorsal > ventral) & (height >= low - 2) & (height <= high + 2)
    # distance to a voxel centre of the wall overstates that to its face by half a voxel
    near = edt.edt(~wall, anisotropy=tuple(grid.spacing_mm)) <= thickness + float(grid.spacing_mm.mean()) / 2
    part[canal & layer & near & (part == Tissue.CANAL)] = Tissue.FLAVUM


def _level_coordinates(grid: Grid, frame: Frame) -> tuple[Float, Float, Float]:
    """(nx, ny, nz) arrays: level x, y and z of every voxel centre, mm."""
    start, steps = frame.to_level_mm(grid.world_mm([0, 0, 0])), frame.axes_ras @ grid.affine_ras_mm[:3, :3]
    i, j, k = np.ogrid[: grid.shape[0], : grid.shape[1], : grid.shape[2]]
    x, y, z = (start[row] + steps[row, 0] * i + steps[row, 1] * j + steps[row, 2] * k for row in range(3))
    return x, y, z


def _span(labels: Labels, grid: Grid, frame: Frame, pair: tuple[str, str]) -> tuple[float, float, float] | None:
    """Lowest and highest z of the ligament, and the y its lateral ends reach ventrally; None without both laminae."""
    above = _level_mm(labels, grid, frame, pair[0], Part.LAMINA_LEFT, Part.LAMINA_RIGHT)
    below = _level_mm(labels, grid, frame, pair[1], Part.LAMINA_LEFT, Part.LAMINA_RIGHT)
    if not len(above) or not len(below):
        return None
    joints = _level_mm(labels, grid, frame, pair[0], Part.INFERIOR_ARTICULAR_LEFT, Part.INFERIOR_ARTICULAR_RIGHT)
    ventral = float(np.percentile(joints[:, 1], 5)) if len(joints) else 0.0
    return float(np.percentile(below[:, 2], 99)), float(above[:, 2].min() + above[:, 2].max()) / 2, ventral


def _level_mm(labels: Labels, grid: Grid, frame: Frame, vertebra: str, *parts: Part) -> Float:
    found = np.zeros(labels.shape, dtype=bool)
    for part in parts:
        found |= labels == label_of(vertebra, part)
    index = np.column_stack(np.unravel_index(np.flatnonzero(found), labels.shape))
    return frame.to_level_mm(grid.world_mm(index))


def _lay_sac(labels: Labels, grid: Grid) -> None:
    free = labels == Tissue.CANAL
    if not free.any():
        return
    box = _around(free | canal_mask(labels))
    part, room = labels[box], np.asfortranarray(free[box])
    spacing = tuple(grid.spacing_mm)
    half = float(grid.spacing_mm.mean()) / 2
    # array borders are where the scan ends, not walls
    inner = edt.edt(room, anisotropy=spacing, black_border=False) - half > EPIDURAL_MARGIN.value + SAC_ROUNDING.value
    if not inner.any():
        return
    opened = edt.edt(np.asfortranarray(~inner), anisotropy=spacing, black_border=False) - half <= SAC_ROUNDING.value
    part[opened & room] = Tissue.SAC


def _around(mask: Mask, margin: int = 1) -> Box:
    """The index box that holds a mask and a margin, so that the wall around it is seen."""
    spans = []
    for axis in range(3):
        index = np.flatnonzero(mask.any(axis=tuple(a for a in range(3) if a != axis)))
        spans.append(slice(max(int(index[0]) - margin, 0), int(index[-1]) + 1 + margin))
    return spans[0], spans[1], spans[2]
