"""An overview of an MR case: the sac from the side with every level's name and area, and the section through each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import ndimage

from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import Tissue
from canalwise.recon.level.resampled_level import local_view
from canalwise.recon.level.sac_sections import plane_directions, sac_sections
from canalwise.recon.proposed_levels import NARROWEST
from canalwise.recon.scan import Scan
from canalwise.workbench.images.planes import sampled
from canalwise.workbench.style.palette import LIGAMENT, MARK, SAC
from canalwise.workbench.style.phrases import amount

HALF_MM, PIXEL_MM = 32.0, 0.4
"""Half the edge of a section drawn, and its pixels."""

DEPTH_MM = (-62.0, 78.0)
"""How far dorsal and ventral of the sac the view from the side reaches."""

PEDICLE_TO_PEDICLE_MM = 15.0
"""Sections are sought this far cranial and caudal of the disc."""

WIDTH_INCHES, TITLES_INCHES, TALLEST_INCHES = 10.0, 0.6, 9.0
"""Of the drawing."""

SMOOTH_MM = 6.0
"""Deviation of the blur of the line that the view from the side follows."""

LINE = MARK


@dataclass(frozen=True, eq=False)
class DrawnSection:
    """One level's narrowest section: its middle and normal in RAS mm, and what is written beside it."""

    level: Level
    middle_ras_mm: Float
    normal_ras: Float
    words: str


def overview_figure(scan: Scan, anatomy: Anatomy) -> Figure | None:
    """The overview; None for a CT, and where no sac is in view.

    The view from the side follows the sac's middle, front to the left; sections are seen from the feet, dorsal up, the
    patient's left on the left, as all axial pictures are.
    """
    sac = anatomy.labels == Tissue.SAC
    if scan.kind.calibrated or not sac.any():
        return None
    sections = drawn_sections(anatomy)
    columns = 2 if len(sections) > 1 else 1
    rows = max(-(-len(sections) // columns), 1)
    # as high as the view from the side needs at half the width, or the sections at a quarter each
    height_mm = float(np.ptp(anatomy.grid.world_mm([[0, 0, 0], [0, 0, anatomy.grid.shape[2] - 1]])[:, 2]))
    high = max(WIDTH_INCHES / 2 * height_mm / float(np.ptp(DEPTH_MM)), rows * WIDTH_INCHES / 4) + TITLES_INCHES
    figure = Figure(figsize=(WIDTH_INCHES, min(high, TALLEST_INCHES)), layout="constrained")
    grid = figure.add_gridspec(rows, columns + 2)
    _draw_side(figure.add_subplot(grid[:, :2]), scan, anatomy, sections)
    for n, one in enumerate(sections):
        _draw_section(figure.add_subplot(grid[n // columns, 2 + n % columns]), scan, anatomy, one)
    return figure


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


def _draw_side(axes: Axes, scan: Scan, anatomy: Anatomy, sections: Sequence[DrawnSection]) -> None:
    """The scan along the sac's middle, from the side, with the sac's outline, level names and areas."""
    line, points = side_points_mm(anatomy)
    y = points[0, :, 1]
    span = (y[0], y[-1], line[0, 2], line[-1, 2])
    _grey(axes, scan, points, span)
    sac = sampled((anatomy.labels == Tissue.SAC).astype(np.float32), anatomy.grid, points)
    axes.contour(y, line[:, 2], sac, [0.5], colors=[SAC], linewidths=0.8)
    for one in sections:
        across = plane_directions(one.level.frame.direction_level(one.normal_ras))[1]
        dorsal = one.level.frame.direction_ras(across)
        ends = one.middle_ras_mm + np.array([[-16.0], [16.0]]) * dorsal
        axes.plot(ends[:, 1], ends[:, 2], color=MARK, linewidth=1.0)
        axes.annotate(
            f"{one.level.name}\n{one.words}",
            (ends[0, 1], ends[0, 2]),
            xytext=(y[0] + 2.0, one.middle_ras_mm[2]),
            color=MARK,
            fontsize=8,
            va="center",
            ha="right",
            bbox={"facecolor": "black", "alpha": 0.55, "edgecolor": "none", "pad": 1.5},
        )
    axes.set_xlim(y[-1], y[0])
    axes.set_title("along the middle of the sac; front on the left")
    axes.set_ylabel("RAS z, mm")
    axes.set_xticks([])


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


def _draw_section(axes: Axes, scan: Scan, anatomy: Anatomy, one: DrawnSection) -> None:
    """The scan across the sac where it is narrowest, with the sac's and the ligament's outlines."""
    at, points = section_points_mm(one)
    _grey(axes, scan, points, (-HALF_MM, HALF_MM, -HALF_MM, HALF_MM))
    for tissue, colour in ((Tissue.SAC, SAC), (Tissue.FLAVUM, LIGAMENT)):
        share = sampled((anatomy.labels == tissue).astype(np.float32), anatomy.grid, points)
        if share.max() > 0.5:
            axes.contour(at, at, share, [0.5], colors=[colour], linewidths=0.9)
    axes.set_title(f"{one.level.name}: {one.words}", fontsize=8)
    axes.text(-HALF_MM + 1, 0, "L", color=LINE, fontsize=8, va="center")
    axes.text(HALF_MM - 1, 0, "R", color=LINE, fontsize=8, va="center", ha="right")
    axes.set_axis_off()


def _grey(axes: Axes, scan: Scan, points_mm: Float, span: tuple[float, float, float, float]) -> None:
    values = sampled(scan.voxels, scan.grid, points_mm, scan.kind.outside_value(scan.voxels))
    low, high = scan.kind.display_window(scan.voxels)
    axes.imshow(values, cmap="gray", vmin=low, vmax=high, origin="lower", extent=span, interpolation="bilinear")
    axes.set_aspect("equal")
