"""Before and after side by side, with the bone that was taken in colour and what was planned in outline."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from canalwise.estimator.audit.audit import Audit
from canalwise.recon.grid import Float
from canalwise.recon.labels import canal_mask
from canalwise.recon.registration.blend import BlendedMotion, blended
from canalwise.workbench.images.audit_maps import bone_share
from canalwise.workbench.images.planes import PlaneCut, cut_of, sampled
from canalwise.workbench.style.palette import CANAL, MARK, OUTSIDE_HU, REMOVED

MID_DEPTH_MM = 14.0
"""Slices are centred this far dorsal of the level's origin where nothing was taken."""

EDGES = {
    "axial": ("left", "right", "dorsal", "ventral"),
    "sagittal": ("ventral", "dorsal", "cranial", "caudal"),
    "coronal": ("left", "right", "cranial", "caudal"),
}


def audit_figure(audit: Audit) -> Figure:
    """Axial, sagittal and coronal cuts through the middle of what was taken; before above, after below.

    Before, the bone taken is filled; after, only its outline is drawn, so that what is there now can be seen.
    """
    figure = Figure(figsize=(10.2, 7.4))
    rows = figure.subplots(2, 3)
    figure.subplots_adjust(left=0.01, right=0.99, top=0.94, bottom=0.07, wspace=0.02, hspace=0.08)
    blend = blended(audit.pair.anatomy.labels, audit.pair.anatomy.grid, audit.pair.motions)
    planned = None if audit.planned is None else audit.planned.taken_frac
    for column, cut in enumerate(audit_cuts(audit)):
        for row in (0, 1):
            axes = rows[row, column]
            _grey(axes, audit, cut, blend if row else None)
            _overlay(axes, audit, cut, planned, filled=row == 0)
            _words(axes, cut, f"{'after' if row else 'before'}, {cut.kind}")
    keys: list[Patch | Line2D] = [
        Patch(color=REMOVED, alpha=0.6, label="bone taken"),
        Line2D([], [], color=CANAL, label="canal before"),
    ]
    if planned is not None:
        keys.append(Line2D([], [], color=MARK, linestyle="dashed", label="bone planned to be taken"))
    figure.legend(handles=keys, loc="lower center", ncols=3, fontsize=9, facecolor="#30363c", labelcolor=MARK)
    figure.suptitle(f"{audit.question.level}: before and after, the patient's left on the left", fontsize=10)
    return figure


def audit_cuts(audit: Audit) -> tuple[PlaneCut, PlaneCut, PlaneCut]:
    """The three cuts, in the level frame."""
    removal, frame = audit.taken.removal, audit.pair.level.frame
    x, y, z = 6.0 if audit.side == "left" else -6.0, MID_DEPTH_MM, 0.0
    if removal.total_mm3 > 0:
        index = np.stack(np.unravel_index(removal.voxels, removal.level_bone.grid.shape), axis=-1)
        places = frame.to_level_mm(removal.level_bone.grid.world_mm(index))
        x, y, z = (float(v) for v in np.average(places, axis=0, weights=removal.taken_mm3))
    size = {"width_mm": 70.0, "height_mm": 70.0}
    return (
        PlaneCut("axial", (0.0, MID_DEPTH_MM, z), **size),
        PlaneCut("sagittal", (x, MID_DEPTH_MM, 0.0), **size),
        PlaneCut("coronal", (0.0, y, 0.0), **size),
    )


def _grey(axes: Axes, audit: Audit, cut: PlaneCut, blend: BlendedMotion | None) -> None:
    pair = audit.pair
    points = pair.level.frame.to_world_mm(cut.level_mm())
    scan = pair.before if blend is None else pair.after
    if blend is not None:
        points = blend.moved_mm(points.reshape(-1, 3)).reshape(points.shape)
    columns, rows = cut.steps_mm
    low, high = scan.kind.display_window(scan.voxels)
    axes.imshow(
        sampled(scan.voxels, scan.grid, points, OUTSIDE_HU), cmap="gray", vmin=low, vmax=high, origin="lower",
        extent=(columns[0], columns[-1], rows[0], rows[-1]), interpolation="bilinear",
    )  # fmt: skip
    axes.set_axis_off()


def _overlay(axes: Axes, audit: Audit, cut: PlaneCut, planned: npt.NDArray[np.float32] | None, filled: bool) -> None:
    frame, anatomy, taken = audit.pair.level.frame, audit.pair.anatomy, audit.taken.region
    columns, rows = cut.steps_mm
    share = cut_of(taken.share * bone_share(audit), taken.grid, cut, frame)
    if share.max() > 0.5 and filled:
        axes.contourf(columns, rows, share, levels=[0.5, 1.01], colors=[REMOVED], alpha=0.6)
    _line(axes, cut, share, REMOVED, "solid")
    _line(axes, cut, cut_of(canal_mask(anatomy.labels), anatomy.grid, cut, frame), CANAL, "solid")
    if planned is not None:
        _line(axes, cut, cut_of(planned * bone_share(audit), taken.grid, cut, frame), MARK, "dashed")


def _line(axes: Axes, cut: PlaneCut, values: Float, colour: str, style: str) -> None:
    if values.min() < 0.5 < values.max():  # contour warns when there is nothing to draw
        columns, rows = cut.steps_mm
        axes.contour(columns, rows, values, levels=[0.5], colors=[colour], linewidths=1.1, linestyles=style)


def _words(axes: Axes, cut: PlaneCut, title: str) -> None:
    left, right, up, down = EDGES[cut.kind]
    for x, y, word in ((0.02, 0.5, left), (0.98, 0.5, right), (0.5, 0.94, up), (0.5, 0.03, down)):
        axes.text(x, y, word, transform=axes.transAxes, color="white", fontsize=9, ha="center" if x == 0.5 else
                  "left" if x < 0.5 else "right")  # fmt: skip
    axes.text(0.02, 0.94, title, transform=axes.transAxes, color="white", fontsize=9.5, fontweight="bold")
