"""Positions of the sets of points that a task may require to be touched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from canalwise.estimator.approach.approach import other_side
from canalwise.estimator.level.target_names import FROM_TARGETS, MIDLINE, NAMES, chosen
from canalwise.recon.anatomy import Anatomy, Level, Targets
from canalwise.recon.grid import Float
from canalwise.recon.labels import SIDES, Mask, Side, Tissue
from canalwise.recon.level.axial_contour import border_mm, canal_contour
from canalwise.recon.level.resampled_level import ResampledLevel, local_view
from canalwise.recon.level.targets import RECESS_FROM

STEP_MM = 1.0
"""Spacing of the roof's and the ligament's points across: a tool of 1.5 mm radius moved along them leaves ridges of
0.09 mm between two."""

PLANE_STEP_MM = 2.0
"""Height from one row of the roof's points to the next: the same tool leaves ridges of 0.4 mm."""

ROOF_FRAC = 1.0 / 3.0
"""The roof is the middle third of the canal's width: that share of the half-width to either side (choice)."""

INSERTION_MM = 1.0
"""The ligament's last millimetre toward a lamina stands for its insertion there."""

WHOLE_FRAC = 0.5
"""A column of ligament shorter than this share of the median column ends at the ligament's side (choice)."""

NEAR_CANAL_MM = ((-20.0, -20.0, -32.0), (20.0, 32.0, 32.0))
"""Opposite corners, level frame, of the box that holds a level's canal and ligament (canals are under 43 mm wide)."""

NOTHING = np.empty((0, 3))


@dataclass(frozen=True, eq=False)
class TaskTargets:
    """All sets of one level, whichever side it is approached from.

    Parameters
    ----------
    level : its own targets are those of either side
    midline_ras_mm : MIDLINE name -> (N, 3) array, empty where not in view
    """

    level: Level
    midline_ras_mm: Mapping[str, Float]

    def seen_from(self, side: Side, names: Sequence[str] = NAMES) -> dict[str, Float]:
        """Name -> (N, 3) array of RAS mm for an entry on that side; empty where not in view.

        Raises WrongUse for a name that is not one of NAMES.
        """
        return {name: self._of(name, side) for name in chosen(names)}

    def _of(self, name: str, side: Side) -> Float:
        if name in MIDLINE:
            return self.midline_ras_mm[name]
        across, which = FROM_TARGETS[name]
        targets = self.level.targets.get(other_side(side) if across else side)
        return NOTHING if targets is None else targets.points_ras_mm.get(which, NOTHING)


def joined_mm(sets: Mapping[str, Float]) -> Float:
    """(N, 3) array: the points of all sets, one after the other.

    >>> joined_mm({"roof": np.zeros((2, 3)), "canal wall": np.ones((1, 3))}).shape
    (3, 3)
    """
    return np.concatenate([NOTHING, *sets.values()])


def task_targets(anatomy: Anatomy, level: Level) -> TaskTargets:
    """Every set of a level.

    The roof is the dorsal border of the canal region over ROOF_FRAC of either half-width, from the lower laminae's
    cranial edge up to mid-height of the upper laminae: ligament below, the base to undercut above. An
    insertion is, in each sagittal column of ligament that lies medial of the recess's share of the half-width and
    runs from lamina to lamina, the middle of its last INSERTION_MM toward that lamina.
    """
    low, high = NEAR_CANAL_MM
    pair = (level.upper, level.lower)
    view = local_view(anatomy.labels, anatomy.occupancy, anatomy.grid, level.frame, pair, low_mm=low, high_mm=high)
    heights = _roof_heights_mm(level)
    found = {name: [NOTHING] for name in MIDLINE}
    if heights is not None:
        found["roof"] += [_roof_row_mm(view, z) for z in _rows(*heights)]
        found["caudal flavum insertion"], found["cranial flavum insertion"] = _insertions_mm(view, heights)
    return TaskTargets(level, {name: level.frame.to_world_mm(np.concatenate(rows)) for name, rows in found.items()})


def _roof_heights_mm(level: Level) -> tuple[float, float] | None:
    """(lowest, highest) z of the roof; None where a landmark that bounds it is not in view."""
    marks = level.landmarks_ras_mm
    below = [marks[name] for side in SIDES if (name := f"lower_lamina_cranial_edge_{side}") in marks]
    if not below or "upper_spinous_base" not in marks:
        return None
    low = float(level.frame.to_level_mm(below)[:, 2].mean())
    high = float(level.frame.to_level_mm(marks["upper_spinous_base"])[2])
    return (low, high) if low < high else None


def _rows(low_mm: float, high_mm: float) -> Float:
    """Heights from one to the other, both included, no more than PLANE_STEP_MM apart.

    >>> _rows(0.0, 5.0).round(3).tolist()
    [0.0, 1.667, 3.333, 5.0]
    """
    return np.linspace(low_mm, high_mm, int(np.ceil((high_mm - low_mm) / PLANE_STEP_MM)) + 1)


def _roof_row_mm(view: ResampledLevel, z_mm: float) -> Float:
    """(N, 3) array, level frame: the roof's points in one axial plane; empty where the canal is not whole in view."""
    outline = canal_contour(view, z_mm)
    if outline is None:
        return NOTHING
    right, left = ROOF_FRAC * outline[:, 0].min(), ROOF_FRAC * outline[:, 0].max()
    crossings = [(x, border_mm(outline, float(x), "dorsal")) for x in _marks(right, left)]
    return np.array([(x, y, z_mm) for x, y in crossings if y is not None]).reshape(-1, 3)


def _insertions_mm(view: ResampledLevel, heights_mm: tuple[float, float]) -> tuple[list[Float], list[Float]]:
    """(caudal, cranial) lists of (N, 3) arrays, level frame: the ends of the ligament, column by column."""
    columns = _ligament_columns_mm(view, sum(heights_mm) / 2)
    tall = np.array([np.ptp(column[:, 2]) for column in columns])
    whole = [column for column, length in zip(columns, tall, strict=True) if length >= WHOLE_FRAC * np.median(tall)]
    caudal = [_end_mm(column, column[:, 2] <= column[:, 2].min() + INSERTION_MM) for column in whole]
    cranial = [_end_mm(column, column[:, 2] >= column[:, 2].max() - INSERTION_MM) for column in whole]
    return [NOTHING, *caudal], [NOTHING, *cranial]


def _ligament_columns_mm(view: ResampledLevel, middle_mm: float) -> list[Float]:
    """(N, 3) arrays of voxel centres, level frame: this level's ligament in sagittal columns STEP_MM apart."""
    outline = canal_contour(view, middle_mm)
    if outline is None:
        return []
    right, left = RECESS_FROM * outline[:, 0].min(), RECESS_FROM * outline[:, 0].max()
    ligament = view.points_mm(view.labels == Tissue.FLAVUM)
    columns = [ligament[np.abs(ligament[:, 0] - x) <= STEP_MM / 2] for x in _marks(right, left)]
    own = [column[_run(column[:, 2], middle_mm, view.step_mm)] for column in columns]
    return [column for column in own if len(column)]


def _marks(low_mm: float, high_mm: float) -> Float:
    """Multiples of STEP_MM from one x to another: the same to the left as to the right.

    >>> _marks(-2.5, 1.5).tolist()
    [-2.0, -1.0, 0.0, 1.0]
    """
    return np.arange(np.ceil(low_mm / STEP_MM), np.floor(high_mm / STEP_MM) + 1) * STEP_MM


def _end_mm(piece_mm: Float, last: Mask) -> Float:
    return np.asarray(piece_mm[last].mean(axis=0, keepdims=True))


def _run(heights_mm: Float, through_mm: float, step_mm: float) -> Mask:
    """(N,) array: which heights belong to the unbroken run that holds, or comes nearest to, a given height.

    >>> _run(np.array([0.0, 0.5, 3.0, 3.5, 4.0]), 1.0, 0.5).tolist()
    [True, True, False, False, False]
    """
    if not len(heights_mm):
        return np.zeros(0, dtype=bool)
    rungs = np.unique(heights_mm)
    run = np.concatenate([[0], np.cumsum(np.diff(rungs) > 1.5 * step_mm)])
    mine = rungs[run == run[np.abs(rungs - through_mm).argmin()]]
    return np.asarray((heights_mm >= mine[0]) & (heights_mm <= mine[-1]))


def all_points_mm(targets: Targets) -> Float:
    """(N, 3) array of every target point of a side."""
    return joined_mm(targets.points_ras_mm)
