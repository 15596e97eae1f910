"""An overview of an MR case: the sac from the side with every level's name and area, and the section through each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import Float
from canalwise.recon.labels import Tissue
from canalwise.recon.level.sac_sections import plane_directions
from canalwise.recon.scan import Scan
from canalwise.workbench.images.planes import sampled
from canalwise.workbench.style.palette import LIGAMENT, MARK, SAC
from canalwise.workbench.surfaces.spine_overview import (
    DEPTH_MM,
    HALF_MM,
    DrawnSection,
    drawn_sections,
    section_points_mm,
    side_points_mm,
)

WIDTH_INCHES, TITLES_INCHES, TALLEST_INCHES = 10.0, 0.6, 9.0
"""Of the drawing."""

LINE = MARK


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
            fontsize=9,
            va="center",
            ha="right",
            bbox={"facecolor": "black", "alpha": 0.55, "edgecolor": "none", "pad": 1.5},
        )
    axes.set_xlim(y[-1], y[0])
    axes.set_title("along the middle of the sac; front on the left")
    axes.set_ylabel("RAS z, mm")
    axes.set_xticks([])


def _draw_section(axes: Axes, scan: Scan, anatomy: Anatomy, one: DrawnSection) -> None:
    """The scan across the sac where it is narrowest, with the sac's and the ligament's outlines."""
    at, points = section_points_mm(one)
    _grey(axes, scan, points, (-HALF_MM, HALF_MM, -HALF_MM, HALF_MM))
    for tissue, colour in ((Tissue.SAC, SAC), (Tissue.FLAVUM, LIGAMENT)):
        share = sampled((anatomy.labels == tissue).astype(np.float32), anatomy.grid, points)
        if share.max() > 0.5:
            axes.contour(at, at, share, [0.5], colors=[colour], linewidths=0.9)
    axes.set_title(f"{one.level.name}: {one.words}", fontsize=9)
    axes.text(-HALF_MM + 1, 0, "L", color=LINE, fontsize=9, va="center")
    axes.text(HALF_MM - 1, 0, "R", color=LINE, fontsize=9, va="center", ha="right")
    axes.set_axis_off()


def _grey(axes: Axes, scan: Scan, points_mm: Float, span: tuple[float, float, float, float]) -> None:
    values = sampled(scan.voxels, scan.grid, points_mm, scan.kind.outside_value(scan.voxels))
    low, high = scan.kind.display_window(scan.voxels)
    axes.imshow(values, cmap="gray", vmin=low, vmax=high, origin="lower", extent=span, interpolation="bilinear")
    axes.set_aspect("equal")
