"""An MR under the bone of the CT it was registered to: a picture to check by eye, one row a level."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.labels import Tissue
from canalwise.recon.registration.blend import BlendedMotion, blended
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.scan import Scan
from canalwise.recon.serialization import write_bytes_atomic
from canalwise.workbench.images.planes import PlaneCut, cut_of, sampled
from canalwise.workbench.style.data_uris import drawing_style, png_bytes
from canalwise.workbench.style.palette import PALE_BONE, SAC

FILE_NAME = "mr.png"


def registration_figure(scan: Scan, anatomy: Anatomy, mr: Scan, motions: dict[str, RigidMotion]) -> Figure:
    """CT and MR of each level: sagittal through the midline and axial through the disc, with the CT's bone on both."""
    levels = [level for level in anatomy.levels if level.upper in motions and level.lower in motions]
    figure = Figure(figsize=(11.0, 2.9 * max(len(levels), 1)))
    rows = figure.subplots(max(len(levels), 1), 4, squeeze=False)
    figure.subplots_adjust(left=0.01, right=0.99, top=0.95, bottom=0.06, wspace=0.02, hspace=0.06)
    blend = blended(anatomy.labels, anatomy.grid, motions)
    for axes in rows.ravel():
        axes.set_axis_off()
    for row, level in zip(rows, levels, strict=False):
        for n, kind in enumerate(("sagittal", "axial")):
            cut = PlaneCut(kind, (0.0, 2.0, 0.0), 80.0, 66.0)
            _drawn(row[2 * n], (scan, None), anatomy, level, cut)
            _drawn(row[2 * n + 1], (mr, blend), anatomy, level, cut)
    keys = [Line2D([], [], color=PALE_BONE, label="bone of the CT"), Line2D([], [], color=SAC, label="dural sac")]
    figure.legend(handles=keys, loc="lower center", ncols=2, frameon=False, fontsize=9)
    return figure


def write_registration_picture(
    folder: Path, scan: Scan, anatomy: Anatomy, mr: Scan, motions: dict[str, RigidMotion]
) -> Path:
    """Draws the picture into a case folder; the path of the file."""
    path = folder / FILE_NAME
    with drawing_style():
        write_bytes_atomic(path, png_bytes(registration_figure(scan, anatomy, mr, motions)))
    return path


def _drawn(axes: Axes, shown: tuple[Scan, BlendedMotion | None], anatomy: Anatomy, level: Level, cut: PlaneCut) -> None:
    scan, blend = shown
    points = level.frame.to_world_mm(cut.level_mm())
    if blend is not None:
        points = blend.moved_mm(points.reshape(-1, 3)).reshape(points.shape)
    columns, rows = cut.steps_mm
    low, high = scan.kind.display_window(scan.voxels)
    extent = (columns[0], columns[-1], rows[0], rows[-1])
    grey = sampled(scan.voxels, scan.grid, points, scan.kind.outside_value(scan.voxels))
    axes.imshow(grey, cmap="gray", vmin=low, vmax=high, origin="lower", extent=extent, interpolation="bilinear")
    bone = cut_of(anatomy.occupancy, anatomy.grid, cut, level.frame)
    sac = cut_of((anatomy.labels == Tissue.SAC).astype(np.float32), anatomy.grid, cut, level.frame)
    for values, colour in ((bone, PALE_BONE), (sac, SAC)):
        if values.min() < 0.5 < values.max():  # contour warns when there is nothing to draw
            axes.contour(columns, rows, values, levels=[0.5], colors=[colour], linewidths=0.9)
    title = f"{level.name}, {'MR' if blend else 'CT'}, {cut.kind}"
    axes.text(0.02, 0.93, title, transform=axes.transAxes, color="white", fontsize=9, fontweight="bold")
