"""Where a spine is cut for its overview: along the sac from the side, and across it where each level is narrowest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Tissue
from canalwise.recon.level.resampled_level import local_view
from canalwise.recon.level.sac_sections import plane_directions, sac_sections
from canalwise.recon.proposed_levels import NARROWEST
from canalwise.workbench.style.phrases import amount

HALF_MM, PIXEL_MM = 32.0, 0.4
"""Half the edge of a section drawn, and its pixels."""

DEPTH_MM = (-62.0, 78.0)
"""How far dorsal and ventral of the sac the view from the side reaches."""

PEDICLE_TO_PEDICLE_MM = 15.0
"""Sections are sought this far cranial and caudal of the disc."""

SMOOTH_MM = 6.0
"""Deviation of the blur of the line that the view from the side follows."""


@dataclass(frozen=True, eq=False)
class DrawnSection:
    """One level's narrowest section: its middle and normal in RAS mm, and what is written beside it."""

    level: Level
    middle_ras_mm: Float
    normal_ras: Float
    words: str


def drawn_sections(anatomy: Anatomy) -> tuple[DrawnSection, ...]:
    """The narrowest section of every level that shows its sac, cranial to caudal."""
    found = []
    for level in anatomy.levels:
        view = local_view(anatomy.labels, anatomy.occupancy, anatomy.grid, level.frame, (level.upper, level.lower))
        sections = sac_sections(view, -PEDICLE_TO_PEDICLE_MM, PEDICLE_TO_PEDICLE_MM)
        if sections is not None:
            n = sections.narrowest
            found.append(
                DrawnSection(
                    level,
                    level.frame.to_world_mm(sections.middles_mm[n]),
                    level.frame.direction_ras(sections.normals[n]),
                    area_words(level),
                )
            )
    return tuple(found)


def area_words(level: Level) -> str:
    """The sac's narrowest area of a level and its band; what else there is without one.

    >>> from canalwise.recon.anatomy import Frame, Measurement
    >>> narrow = Measurement(NARROWEST, 82.4, "mm2", "dural sac", "", "central stenosis")
    >>> area_words(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {}, (narrow,)))
    '82 mm², central stenosis'
    """
    least = next((m for m in level.measurements if m.name == NARROWEST), None)
    if least is None:
        return "sac not measured"
    return amount(least.value, least.unit, 0) + (f", {least.band}" if least.band else "")


def side_points_mm(anatomy: Anatomy) -> tuple[Float, Float]:
    """The view from the side: (N, 3) RAS mm along the sac's middle, caudal first, and (N, M, 3) of its samples, which
    run from dorsal to ventral.
    """
    line = _sac_line_mm(anatomy)
    depth = np.arange(*DEPTH_MM, PIXEL_MM)
    shape = len(line), len(depth)
    y = np.broadcast_to(np.median(line[:, 1]) + depth, shape)
    return line, np.stack(
        [np.broadcast_to(line[:, None, 0], shape), y, np.broadcast_to(line[:, None, 2], shape)], axis=-1
    )


def _sac_line_mm(anatomy: Anatomy) -> Float:
    """(N, 3) RAS mm, rising in z by PIXEL_MM over the whole scan: the sac's middle, straight on beyond its ends."""
    sac, grid = anatomy.labels == Tissue.SAC, anatomy.grid
    layers = np.flatnonzero(sac.any(axis=(0, 1)))
    middle = np.array([grid.world_mm([*np.argwhere(sac[:, :, k]).mean(axis=0), k]) for k in layers])
    middle = ndimage.gaussian_filter1d(middle, SMOOTH_MM / grid.spacing_mm[2], axis=0, mode="nearest")
    order = np.argsort(middle[:, 2], kind="stable")
    ends = grid.world_mm([[0, 0, 0], [0, 0, grid.shape[2] - 1]])[:, 2]
    z = np.arange(ends.min(), ends.max(), PIXEL_MM)
    x, y = (np.interp(z, middle[order, 2], middle[order, axis]) for axis in (0, 1))
    return np.column_stack([x, y, z])


def section_points_mm(one: DrawnSection) -> tuple[Float, Float]:
    """(N,) mm from the middle of a section, and (N, N, 3) RAS mm of its samples, dorsal last, the left first."""
    left, dorsal = one.level.frame.direction_ras(plane_directions(one.level.frame.direction_level(one.normal_ras)))
    at = np.arange(-HALF_MM, HALF_MM + PIXEL_MM / 2, PIXEL_MM)
    # columns run from the patient's left, so that it lies on the left
    return at, one.middle_ras_mm - at[None, :, None] * left + at[:, None, None] * dorsal
