"""The part of the scan about one level, with its labels, from which the page cuts its slices."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from canalwise.recon.anatomy import Frame, Level
from canalwise.recon.case.folder import Case
from canalwise.recon.grid import Box, Float, Grid
from canalwise.recon.image.sampling import nearest_box
from canalwise.recon.labels import Labels, label_names
from canalwise.recon.scan import Scan
from canalwise.workbench.surfaces.binary_frames import frame_bytes, index_of_level
from canalwise.workbench.surfaces.triangle_surfaces import skin_behind_mm

SCHEMA = "canalwise.scan/1"

LOW_MM, HIGH_MM = np.array([-56.0, -50.0, -56.0]), np.array([56.0, 70.0, 56.0])
"""What the slices show, in the level frame: 110 mm about the level."""

BEHIND_SKIN_MM = 8.0
"""How much air behind the skin is kept, where skin is in view."""

MOST_VOXELS = 6_000_000
"""24 MB of grey values and labels: what a page loads in a moment and a server may hold beside its work."""

SHRINK = 0.97
"""A part that holds too many voxels is narrowed by this, again and again, about MIDDLE_MM."""

MIDDLE_MM = np.array([0.0, 12.0, 0.0])

INT16_STEPS = 65_000
"""A scan of fractional numbers is sent in so many steps between its least and its greatest value."""


def scan_frame(case: Case, level_name: str) -> bytes:
    """Native voxels about a level and their labels; raises LevelNotInView where there is no such level."""
    level = case.anatomy.level(level_name)
    whole_box = _box_in(case.scan.grid, level.frame, LOW_MM, _high_mm(case, level))
    box = _affordable(case.scan.grid, level.frame, _high_mm(case, level))
    grid = case.scan.grid.cropped(box)
    grey, step, zero = _whole_numbers(case.scan.voxels[box])
    labels = _labels_on(case, box, grid)
    words = label_names()
    header = {
        "schema": SCHEMA,
        "level": level.name,
        "shape": list(grid.shape),
        "index_of_level": index_of_level(grid, level.frame),
        "outside": outside_of(case.scan),
        "grey_step": step,
        "grey_zero": zero,
        "cut_short": box != whole_box,
        "parts": {str(n): words[int(n)] for n in np.unique(labels)},
    }
    return frame_bytes(header, {"grey": grey.ravel(order="F"), "labels": labels.ravel(order="F")})


def outside_of(scan: Scan) -> float:
    """What is drawn beyond the scan: air, or the least value of an MR."""
    return scan.kind.outside_value(scan.voxels)


def _high_mm(case: Case, level: Level) -> Float:
    """The far corner: as far dorsal as the skin behind the level, where it is in view."""
    skin = skin_behind_mm(case.anatomy, level.frame, float(HIGH_MM[0]))
    behind_mm = HIGH_MM[1] if skin is None else skin[:, 1].max() + BEHIND_SKIN_MM
    return np.array([HIGH_MM[0], max(HIGH_MM[1], behind_mm), HIGH_MM[2]])


def _affordable(grid: Grid, frame: Frame, high_mm: Float) -> Box:
    """The index box of what is wished for, narrowed until it can be held."""
    low, high = LOW_MM, high_mm
    while _size(box := _box_in(grid, frame, low, high)) > MOST_VOXELS:
        low, high = (MIDDLE_MM + SHRINK * (end - MIDDLE_MM) for end in (low, high))
    return box


def _box_in(grid: Grid, frame: Frame, low_mm: Float, high_mm: Float) -> Box:
    ends = np.stack([low_mm, high_mm], axis=1)
    corners = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    return grid.box_around(frame.to_world_mm(corners))


def _size(box: Box) -> int:
    return int(np.prod([s.stop - s.start for s in box]))


def _whole_numbers(voxels: npt.NDArray[Any]) -> tuple[npt.NDArray[np.int16], float, float]:
    """(int16 voxels, step, zero): a value is voxel * step + zero.

    >>> grey, step, zero = _whole_numbers(np.array([0.0, 0.25, 1.0], np.float32))
    >>> np.allclose(grey * step + zero, [0.0, 0.25, 1.0], atol=1e-4)
    True
    """
    if voxels.dtype == np.int16:
        return voxels, 1.0, 0.0
    low, high = float(voxels.min()), float(voxels.max())
    step = (high - low) / INT16_STEPS or 1.0
    zero = (low + high) / 2
    return np.rint((voxels - zero) / step).astype(np.int16), step, zero


def _labels_on(case: Case, box: Box, grid: Grid) -> Labels:
    """The labels of the same voxels; the nearest ones where the map lies on a grid of its own."""
    anatomy = case.anatomy
    if anatomy.grid.same_as(case.scan.grid):
        return anatomy.labels[box]
    matrix = np.linalg.inv(anatomy.grid.affine_ras_mm[:3, :3]) @ grid.affine_ras_mm[:3, :3]
    start = anatomy.grid.index_of(grid.world_mm([0, 0, 0]))
    return np.asarray(nearest_box(anatomy.labels, matrix, start, grid.shape), dtype=np.uint16)
