"""Slices through the channel: the scan in grey, and on it bone, canal, sac, channel and the bone to remove."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.geometry.signed_distance import swept_distance_mm
from canalwise.recon.anatomy import Level
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Part, Tissue, canal_mask, label_of, sided
from canalwise.workbench.images.planes import PlaneCut, cut_of
from canalwise.workbench.images.planned_case import PlannedCase
from canalwise.workbench.style.palette import CANAL, DISC, INK, OUTSIDE_HU, PALE_BONE, PAPER, REMOVED, SAC, phase_colour
from canalwise.workbench.style.phrases import cranial_tilt_words, lateral_words

MID_DEPTH_MM = 12.0
"""Slices are centred this far dorsal of the level's origin, halfway from disc to skin."""

BELOW_DOCKING_MM = 3.0
"""The coronal slice lies this far ventral of the docking point, so that it runs in the lamina, not along it."""

EDGES = {
    "axial": ("patient's LEFT", "patient's RIGHT", "dorsal", "ventral"),
    "coronal": ("patient's LEFT", "patient's RIGHT", "cranial", "caudal"),
    "sagittal": ("ventral", "dorsal", "cranial", "caudal"),
}
"""Words at the left, right, upper and lower edge of each kind of slice."""


def cuts_of(approach: Approach) -> dict[str, PlaneCut]:
    """Caption -> slice: along the channel, and along the level's own planes through the docking point and the disc.

    >>> from canalwise.estimator.approach.approach import Phase
    >>> approach = Approach("L3-L4", "left", (8.0, 12.0, 4.0), 50.0, (Phase("ipsilateral", 0.0),))
    >>> [cut.kind for cut in cuts_of(approach).values()]
    ['axial', 'axial', 'sagittal', 'sagittal', 'coronal']
    """
    x, y, _ = approach.docking_point_mm
    first = approach.phases[0]
    beside = lateral_words(x if approach.side == "left" else -x, approach.side)
    return {
        f"Along the channel: axial, tilted with the {first.name} phase ({cranial_tilt_words(first)})": along_channel(
            approach
        ),
        "Axial, disc level": PlaneCut("axial", (0.0, MID_DEPTH_MM, 0.0)),
        f"Sagittal, through the docking point ({beside})": PlaneCut("sagittal", (x, MID_DEPTH_MM, 0.0)),
        "Sagittal, midline": PlaneCut("sagittal", (0.0, MID_DEPTH_MM, 0.0)),
        f"Coronal, {BELOW_DOCKING_MM:.0f} mm below the docking point": PlaneCut(
            "coronal", (0.0, y - BELOW_DOCKING_MM, 0.0)
        ),
    }


def along_channel(approach: Approach) -> PlaneCut:
    """The axial cut turned cranially with the first phase, in which that phase's axis lies from pivot to tip.

    >>> from canalwise.estimator.approach.approach import Approach, Phase
    >>> plan = Approach("L3-L4", "left", (8.0, 12.0, 0.0), 50.0, (Phase("ipsilateral", 10.0, 0.0),))
    >>> along_channel(plan).cranial_tilt_deg
    0.0
    """
    _, y, z = approach.docking_point_mm
    tilt_deg = approach.phases[0].cranial_tilt_deg
    medial_frac = np.cos(np.radians(approach.phases[0].medial_tilt_deg))
    # the cut holds the left-right axis, so only the axis' course in the sagittal plane counts
    turn_deg = float(np.degrees(np.arctan2(np.sin(np.radians(tilt_deg)), np.cos(np.radians(tilt_deg)) * medial_frac)))
    centre_z = z + (y - MID_DEPTH_MM) * float(np.tan(np.radians(turn_deg)))
    return PlaneCut("axial", (0.0, MID_DEPTH_MM, centre_z), cranial_tilt_deg=turn_deg)


def slice_figure(planned: PlannedCase, cut: PlaneCut) -> Figure:
    """One slice with everything drawn on it; the frame is the slice's, in mm."""
    figure, axes = _grey(planned, cut)
    _draw_anatomy(axes, planned, cut)
    _draw_removal(axes, planned, cut)
    _draw_channel(axes, planned, cut)
    return figure


def outline_figure(planned: PlannedCase, cut: PlaneCut, *, outlines: bool = True) -> Figure:
    """One slice with what was found drawn on it, articular processes apart; or bare, to compare with."""
    figure, axes = _grey(planned, cut)
    if outlines:
        _draw_anatomy(axes, planned, cut)
        for vertebra, part, colour in (
            (planned.level.upper, "inferior_articular", phase_colour(0)),
            (planned.level.lower, "superior_articular", phase_colour(1)),
        ):
            labels = [label_of(vertebra, sided(part, side)) for side in SIDES]
            _outline(axes, cut, _share(planned, cut, np.isin(planned.anatomy.labels, labels)), 0.5, colour, 1.3)
    return figure


def _grey(planned: PlannedCase, cut: PlaneCut) -> tuple[Figure, Axes]:
    """The scan on a cut in grey, its edges written on it."""
    figure = Figure(figsize=(3.6, 3.6))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    columns, rows = cut.steps_mm
    grey = cut_of(planned.scan.voxels, planned.scan.grid, cut, planned.level.frame, OUTSIDE_HU)
    low, high = planned.scan.kind.display_window(planned.scan.voxels)
    axes.imshow(
        grey,
        cmap="gray",
        vmin=low,
        vmax=high,
        origin="lower",
        extent=(columns[0], columns[-1], rows[0], rows[-1]),
        interpolation="bilinear",
    )
    _write_edges(axes, cut)
    axes.set(xlim=(columns[0], columns[-1]), ylim=(rows[0], rows[-1]))
    axes.set_axis_off()
    return figure, axes


def _outline(
    axes: Axes, cut: PlaneCut, values: Float, at: float, colour: str, width: float, style: str = "solid"
) -> None:
    """Draws the line where the values cross `at`, if they do."""
    if values.min() < at < values.max():  # contour warns when there is nothing to draw
        columns, rows = cut.steps_mm
        axes.contour(columns, rows, values, levels=[at], colors=[colour], linewidths=width, linestyles=style)


def _share(planned: PlannedCase, cut: PlaneCut, mask: npt.NDArray[np.bool_]) -> Float:
    return cut_of(mask, planned.anatomy.grid, cut, planned.level.frame)


def _draw_anatomy(axes: Axes, planned: PlannedCase, cut: PlaneCut) -> None:
    anatomy = planned.anatomy
    _outline(axes, cut, cut_of(anatomy.occupancy, anatomy.grid, cut, planned.level.frame), 0.5, PALE_BONE, 0.8)
    _outline(axes, cut, _share(planned, cut, canal_mask(anatomy.labels)), 0.5, CANAL, 1.0)
    _outline(axes, cut, _share(planned, cut, anatomy.labels % 100 == Part.DISC), 0.5, DISC, 0.8)
    modelled = anatomy.sources.get("sac") == "modelled"
    _outline(
        axes, cut, _share(planned, cut, anatomy.labels == Tissue.SAC), 0.5, SAC, 1.2, "dashed" if modelled else "solid"
    )


def _draw_removal(axes: Axes, planned: PlannedCase, cut: PlaneCut) -> None:
    taken, anatomy = planned.taken, planned.anatomy
    bone = cut_of(anatomy.occupancy, anatomy.grid, cut, planned.level.frame)
    task = bone * cut_of(taken.task_frac, taken.grid, cut, planned.level.frame)
    if task.max() > 0.5:
        columns, rows = cut.steps_mm
        axes.contourf(columns, rows, task, levels=[0.5, 1.01], colors=[REMOVED], alpha=0.75)
    _outline(
        axes, cut, bone * cut_of(taken.cone_frac, taken.grid, cut, planned.level.frame), 0.5, REMOVED, 0.8, "dotted"
    )


def _draw_channel(axes: Axes, planned: PlannedCase, cut: PlaneCut) -> None:
    frame = planned.level.frame
    points = frame.to_world_mm(cut.level_mm())
    for number, phase in enumerate(planned.phases):
        colour = phase_colour(number)
        _outline(axes, cut, np.asarray(swept_distance_mm(points, phase)), 0.0, colour, 1.4)
        ends = [phase.pivot_ras_mm, phase.pivot_ras_mm + phase.tip_depth_mm * phase.axis_ras]
        across, upward = cut.on_page_mm(frame.to_level_mm(ends)).T
        axes.plot(across, upward, color=colour, linewidth=0.8, linestyle=(0, (5, 3)))


EDGE_PT = 16.0
"""Letters at a picture's edges, points: read where it is printed at half its size."""


def _write_edges(axes: Axes, cut: PlaneCut) -> None:
    """Prints the directions on the picture itself, and a 10 mm scale."""
    left, right, up, down = EDGES[cut.kind]
    boxed: dict[str, Any] = {
        "color": "white",
        "fontsize": EDGE_PT,
        "fontweight": "bold",
        "bbox": {"facecolor": "black", "alpha": 0.6, "edgecolor": "none", "pad": 1.5},
    }
    axes.text(0.015, 0.5, left, transform=axes.transAxes, rotation=90, va="center", ha="left", **boxed)
    axes.text(0.985, 0.5, right, transform=axes.transAxes, rotation=270, va="center", ha="right", **boxed)
    axes.text(0.5, 0.985, up, transform=axes.transAxes, va="top", ha="center", **boxed)
    axes.text(0.5, 0.015, down, transform=axes.transAxes, va="bottom", ha="center", **boxed)
    x, y = cut.steps_mm[0][0] + 7.0, cut.steps_mm[1][0] + 5.0
    axes.plot([x, x + 10], [y, y], color="white", linewidth=2.0, solid_capstyle="butt")
    axes.text(x + 5, y + 1.0, "10 mm", color="white", fontsize=EDGE_PT, ha="center", va="bottom")


def key_figure(planned: PlannedCase) -> Figure:
    """The key to the slices' lines and fills, in one row."""
    sac = f"dural sac ({planned.anatomy.sources.get('sac', 'source not stated')})"
    modelled = planned.anatomy.sources.get("sac") == "modelled"
    lines: list[Artist] = [
        Line2D([], [], color=PALE_BONE, label="bone"),
        Line2D([], [], color=DISC, label="disc"),
        Line2D([], [], color=CANAL, label="bony canal"),
        Line2D([], [], color=SAC, label=sac, linestyle="dashed" if modelled else "solid"),
    ]
    lines += [
        Line2D([], [], color=phase_colour(n), label=f"channel, {p.name}", linewidth=2)
        for n, p in enumerate(planned.phases)
    ]
    lines += [
        Patch(color=REMOVED, alpha=0.75, label="bone to remove"),
        Line2D([], [], color=REMOVED, linestyle="dotted", label="bone within the sweep"),
    ]
    figure = Figure(figsize=(7.3, 0.55))
    # on the slices' own dark background, on which the colours are made to be told apart
    figure.legend(
        handles=lines, loc="center", ncols=5, fontsize=9, handlelength=1.6, columnspacing=1.0, facecolor=INK,
        labelcolor=PAPER, framealpha=1.0, frameon=True,
    )  # fmt: skip
    return figure


CLOSE_MM = 60.0
"""Width of the slices to look at: both joints and the canal, no more."""


def cuts_to_look_at(level: Level) -> dict[str, PlaneCut]:
    """Caption -> slice: axial at disc, pedicle and joints, sagittal in the midline and through both joints.

    >>> import numpy as np
    >>> from canalwise.recon.anatomy import Frame
    >>> list(cuts_to_look_at(Level("L3-L4", "L3", "L4", Frame(np.zeros(3), np.eye(3)), {}, {}, {}, {})))
    ['Axial, disc level', 'Sagittal, midline']
    """
    cuts = {"Axial, disc level": _axial(0.0)}
    heights = [
        _level_mm(level, f"lower_pedicle_upper_edge_{side}")[2]
        for side in SIDES
        if f"lower_pedicle_upper_edge_{side}" in level.landmarks_ras_mm
    ]
    if heights:
        cuts[f"Axial, upper edge of the {level.lower} pedicles"] = _axial(float(np.mean(heights)))
    middles = {
        side: level.frame.to_level_mm(joint.inferior_face_ras_mm).mean(axis=0)
        for side, joint in level.joints.items()
        if len(joint.area_mm2)
    }
    if middles:
        # both joints on one slice, as a surgeon compares them
        cuts["Axial, middle of the joints"] = _axial(float(np.mean([m[2] for m in middles.values()])))
    cuts["Sagittal, midline"] = PlaneCut("sagittal", (0.0, MID_DEPTH_MM / 2, 0.0), CLOSE_MM, CLOSE_MM)
    for side, middle in middles.items():
        cuts[f"Sagittal, {side} joint"] = PlaneCut(
            "sagittal", (float(middle[0]), MID_DEPTH_MM / 2, 0.0), CLOSE_MM, CLOSE_MM
        )
    return cuts


def _axial(z_mm: float) -> PlaneCut:
    return PlaneCut("axial", (0.0, MID_DEPTH_MM / 2, z_mm), CLOSE_MM, CLOSE_MM)


def _level_mm(level: Level, landmark: str) -> Any:
    return level.frame.to_level_mm(level.landmarks_ras_mm[landmark])
