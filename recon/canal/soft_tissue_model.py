"""Ligamentum flavum and dural sac modelled from the canal, where no image or label gives them."""

from __future__ import annotations

from collections.abc import Mapping

import cc3d
import edt
import numpy as np
from scipy import ndimage

from canalwise.recon.anatomy import Frame
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.labels import Labels, Mask, Part, Tissue, canal_mask, label_of
from canalwise.recon.parallel import side_by_side
from canalwise.recon.severity_bands import Threshold, flavum_thickness_mm

SAC_RATIO = Threshold(
    "dural sac over canal area",
    151.67 / 199.95,
    "fraction",
    "controls at L4-L5, Medicine (Baltimore) 2017, PMC5728944: 151.67 / 199.95 mm2",
    "CALC",
)
SAC_RATIO_STENOSIS = Threshold(
    "dural sac over canal area in stenosis",
    80.04 / 119.17,
    "fraction",
    "patients at L4-L5, Medicine (Baltimore) 2017, PMC5728944: 80.04 / 119.17 mm2",
    "CALC",
)
"""Share of the canal that a modelled sac fills: that of healthy canals, since a model cannot know of a narrowing; what
it is in stenosis bounds it from below."""

SAC_RATIO_SD = 0.09
"""Standard deviation of the ratio between people: the distance of healthy from stenotic means; no spread of the ratio
itself is published (choice)."""

SAC_ROUNDING = Threshold("least half-width of the sac's outline", 2.0, "mm", "modelling choice, no source", "PRACTICE")
"""The sac reaches into corners narrower than twice this only where there is no other room for its share."""

CORNER_MM = 0.25
"""Depth that such corners count as: less than any voxel's (choice)."""

REACH_MM = 40.0
"""Half the size of the region about a level in which its ligament is modelled."""


def with_modelled_tissue(labels: Labels, grid: Grid, frames: Mapping[tuple[str, str], Frame]) -> Labels:
    """(same shape) labels with FLAVUM and SAC modelled in the empty canal; given ones stay.

    Parameters
    ----------
    frames : (upper, lower) -> level frame, of every level whose ligament is to be modelled

    Notes
    -----
    The ligament is the layer of published thickness inside the canal's dorsolateral wall, from mid-height of the
    upper laminae to the upper edge of the lower ones, laterally as far ventral as the facet joints
    reach. The sac is, of what is left, the middle part that fills SAC_RATIO of each slice's canal, as far as there is
    room; corners narrower than twice SAC_ROUNDING are filled last.
    """
    out = labels.copy()
    modelled = not (labels == Tissue.FLAVUM).any()
    if modelled:
        # Each level turns free canal to ligament and looks at nothing that another turns: any order gives the same.
        for _ in side_by_side(lambda pair: _model_flavum(out, grid, frames[pair], pair), frames):
            pass
    if not (labels == Tissue.SAC).any():
        if modelled:
            _make_room(out, grid)
        _model_sac(out, grid)
    return out


def _model_flavum(labels: Labels, grid: Grid, frame: Frame, pair: tuple[str, str]) -> None:
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


def _make_room(labels: Labels, grid: Grid) -> None:
    """Takes the innermost of a modelled ligament off where it leaves less than SAC_RATIO_STENOSIS of the canal.

    On long voxels a ligament of whole voxels comes out too thick, and of two modelled structures neither may squeeze
    the other past what is published.
    """
    canal = canal_mask(labels)
    if not canal.any():
        return
    box = _around(canal)
    part, inside = labels[box], canal[box]
    depth = edt.edt(np.asfortranarray(inside), anisotropy=tuple(grid.spacing_mm), black_border=False)
    wanted = np.ceil(SAC_RATIO_STENOSIS.value * inside.sum(axis=(0, 1))) - (part == Tissue.CANAL).sum(axis=(0, 1))
    for k in np.flatnonzero(wanted > 0):
        layer = part[:, :, k]
        ligament = np.flatnonzero(layer == Tissue.FLAVUM)
        order = np.argsort(-depth[:, :, k].ravel()[ligament], kind="stable")
        taken = np.unravel_index(ligament[order[: int(wanted[k])]], layer.shape)
        part[:, :, k][taken] = Tissue.CANAL


def _model_sac(labels: Labels, grid: Grid) -> None:
    free = labels == Tissue.CANAL
    if not free.any():
        return
    box = _around(free | canal_mask(labels))
    part, room = labels[box], np.asfortranarray(free[box])
    depth = _rounded_depth_mm(room, grid)
    wanted = SAC_RATIO.value * canal_mask(part).sum(axis=(0, 1))
    limits = np.array([_limit_mm(depth[:, :, k], round(float(wanted[k]))) for k in range(part.shape[2])])
    sac = depth > limits
    if sac.any():
        part[np.asarray(cc3d.largest_k(sac, k=1, connectivity=6) > 0) & room] = Tissue.SAC


def _rounded_depth_mm(room: Mask, grid: Grid) -> Float:
    """Depth in the room for the sac; corners narrower than twice SAC_ROUNDING rank last, by CORNER_MM."""
    spacing, half = tuple(grid.spacing_mm), float(grid.spacing_mm.mean()) / 2
    # array borders are where the scan ends, not walls
    depth = np.asarray(edt.edt(room, anisotropy=spacing, black_border=False), dtype=float)
    inner = depth - half > SAC_ROUNDING.value
    near = edt.edt(np.asfortranarray(~inner), anisotropy=spacing, black_border=False) - half <= SAC_ROUNDING.value
    # the blurred room orders voxels of one depth: from the middle outwards
    open_frac = ndimage.gaussian_filter(room.astype(float), SAC_ROUNDING.value / grid.spacing_mm, mode="nearest")
    return np.where(near, depth, 0.0) + CORNER_MM * open_frac * room


def _limit_mm(depth_mm: Float, count: int) -> float:
    """The depth beyond which `count` pixels of a slice lie, all of them where there are fewer.

    >>> _limit_mm(np.array([[0.0, 1.0, 2.0, 3.0]]), 2)
    1.0
    """
    inside = np.sort(depth_mm[depth_mm > 0])[::-1]
    return float(inside[count]) if len(inside) > count else 0.0


def _around(mask: Mask, margin: int = 1) -> Box:
    """The index box that holds a mask and a margin, so that the wall around it is seen."""
    spans = []
    for axis in range(3):
        index = np.flatnonzero(mask.any(axis=tuple(a for a in range(3) if a != axis)))
        spans.append(slice(max(int(index[0]) - margin, 0), int(index[-1]) + 1 + margin))
    return spans[0], spans[1], spans[2]
