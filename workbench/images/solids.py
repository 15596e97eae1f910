"""The bone in 3D with the channel and the bone to be removed: the pictures of the report.

Everything is sampled on one isotropic grid in the level frame, then looked at by `workbench.images.raycast`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, generate_binary_structure, maximum_filter

from canalwise.estimator.approach.approach import PlacedPhase
from canalwise.estimator.geometry.signed_distance import swept_distance_mm
from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_box
from canalwise.recon.labels import SIDES, Side, Tissue, canal_mask
from canalwise.workbench.images.planned_case import PlannedCase, PlannedRemoval
from canalwise.workbench.images.raycast import Camera, Distance, SampledField, first_hits_mm, normals_of, solid_distance
from canalwise.workbench.style.palette import PALE_BONE, REMOVED, SAC, phase_colour, rgb_frac

BOX_LOW_MM, BOX_HIGH_MM = np.array([-45.0, -42.0, -48.0]), np.array([45.0, 58.0, 48.0])
"""What is shown of the patient, in the level frame: one motion segment and the halves next to it."""

CELL_MM = 0.7
"""Cells of the grid the pictures are made on; for looking at, never for measuring."""

PIXEL_MM = 0.22
"""Pixels of the pictures; about 440 across."""

SHADE_REACH_MM = 2.8
"""How far off the surface neighbouring bone is felt as shade."""

PAINT_FROM_FRAC, PAINT_SPAN_FRAC = 0.25, 0.4
"""Bone is painted as to be removed from this taken share on, fully after this much more."""

CHANNEL_OPACITY = 0.42
"""How much of what lies behind it the channel hides."""

EDGE_STEP_MM = 2.5
"""A jump in depth between neighbouring pixels that is drawn as an edge."""

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Solids:
    """What a picture shows, in the level frame.

    Parameters
    ----------
    bone, contents : distance fields of the bone and of the dural sac (the whole canal where no sac is labelled)
    shade : share of bone round each point, for the shading
    removed : share of each cell that is painted as to be removed
    """

    bone: Distance
    contents: Distance
    shade: SampledField
    removed: SampledField


@dataclass(frozen=True, eq=False)
class SharedGrid:
    """A level and a removal on the pictures' own grid: shares of each cell, from which either picture's solids come."""

    bone: SampledField
    contents: SampledField
    removed: SampledField

    def before(self) -> Solids:
        """Surface before removal, with the removal painted on it."""
        return Solids(
            solid_distance(self.bone), solid_distance(self.contents), _keep_out_field_of(self.bone), self.removed
        )

    def after(self) -> Solids:
        """What is left afterwards."""
        left = replace(self.bone, values=self.bone.values * (1 - self.removed.values))
        unpainted = replace(self.removed, values=np.zeros_like(self.removed.values))
        return Solids(solid_distance(left), solid_distance(self.contents), _keep_out_field_of(left), unpainted)


def cells_of(anatomy: Anatomy, level: Level, taken: PlannedRemoval, cell_mm: float) -> SharedGrid:
    """The level's surroundings and the task's removal in cells of that size."""
    # where nobody marked a sac the canal is shown instead, rather than nothing
    sac = anatomy.labels == Tissue.SAC
    contents = sac if sac.any() else canal_mask(anatomy.labels)
    return SharedGrid(
        _on_cells(anatomy.occupancy, anatomy.grid, level.frame, cell_mm),
        _on_cells(contents, anatomy.grid, level.frame, cell_mm),
        _on_cells(taken.task_frac, taken.grid, level.frame, cell_mm),
    )


def _on_cells(values: npt.NDArray[np.generic], grid: Grid, frame: Frame, cell_mm: float) -> SampledField:
    i, j, k = (np.round((BOX_HIGH_MM - BOX_LOW_MM) / cell_mm).astype(int) + 1).tolist()
    matrix = np.linalg.inv(grid.affine_ras_mm[:3, :3]) @ frame.axes_ras.T * cell_mm
    start = grid.index_of(frame.to_world_mm(BOX_LOW_MM))
    return SampledField(linear_box(values, matrix, start, (i, j, k)), BOX_LOW_MM, cell_mm)


def solids_of(anatomy: Anatomy, level: Level, taken: PlannedRemoval) -> tuple[Solids, Solids]:
    """Surfaces before removal, with the task's removal painted on them, and after it."""
    cells = cells_of(anatomy, level, taken, CELL_MM)
    return cells.before(), cells.after()


def _keep_out_field_of(bone: SampledField) -> SampledField:
    return replace(bone, values=gaussian_filter(bone.values, SHADE_REACH_MM / CELL_MM))


def dorsal_oblique(side: Side) -> Camera:
    """The camera that looks from dorsal, from the patient's given side and a little from below.

    >>> dorsal_oblique("left").toward_viewer[0] > 0      # the level frame's x is the patient's left
    True
    """
    lateral = 0.75 if side == "left" else -0.75
    return Camera(toward_viewer=(lateral, 1.0, -0.28), centre_level_mm=(0.0, 12.0, 0.0), pixel_mm=PIXEL_MM)


def _lit(distance: Distance, shade: SampledField | None, points: Float, camera: Camera) -> tuple[Float, Float]:
    """(N,) brightness and (N, 3) normals at surface points; the lamp hangs above the viewer's left shoulder."""
    normal = normals_of(distance, points)
    right, up, toward = camera.triad()
    lamp = toward + 0.7 * up - 0.6 * right
    bright = 0.38 + 0.62 * np.clip(normal @ (lamp / np.linalg.norm(lamp)), 0, 1)
    # bone close in front of a surface keeps light from it: this is what makes a gap read as a gap
    if shade is not None:
        bright = bright * (1.12 - 0.75 * np.clip(shade(points + SHADE_REACH_MM * normal), 0, 1))
    return bright, normal


@dataclass(frozen=True, eq=False)
class _Layer:
    depth_mm: Float
    colour: Float


def _bone_layer(solids: Solids, camera: Camera) -> _Layer:
    depth = first_hits_mm(solids.bone, camera)
    points = camera.points_at(depth)
    bright, normal = _lit(solids.bone, solids.shade, points, camera)
    # a cell below the surface: on it the smoothed share is half gone already
    painted = np.clip((solids.removed(points - CELL_MM * normal) - PAINT_FROM_FRAC) / PAINT_SPAN_FRAC, 0, 1)[:, None]
    base = (1 - painted) * np.array(rgb_frac(PALE_BONE)) + painted * np.array(rgb_frac(REMOVED))
    return _Layer(depth, _spread(depth, base * bright[:, None]))


def _plain_layer(distance: Distance, colour: str, camera: Camera) -> _Layer:
    depth = first_hits_mm(distance, camera)
    bright, _ = _lit(distance, None, camera.points_at(depth), camera)
    return _Layer(depth, _spread(depth, np.array(rgb_frac(colour)) * bright[:, None]))


def _spread(depth_mm: Float, colours: Float) -> Float:
    """(rows, columns, 3) array: the colours where a ray hit, white elsewhere."""
    picture = np.ones((*depth_mm.shape, 3))
    picture[np.isfinite(depth_mm)] = colours
    return picture


def _nearer(one: _Layer, other: _Layer) -> _Layer:
    first = np.where(np.isfinite(one.depth_mm), one.depth_mm, np.inf) <= np.where(
        np.isfinite(other.depth_mm), other.depth_mm, np.inf
    )
    return _Layer(np.where(first, one.depth_mm, other.depth_mm), np.where(first[..., None], one.colour, other.colour))


def _edged(layer: _Layer) -> _Layer:
    """The layer with its outlines darkened, so that a lamina stands off from what lies behind it."""
    depth = np.nan_to_num(layer.depth_mm, nan=1e3)
    behind = maximum_filter(depth, footprint=generate_binary_structure(2, 1))  # the farthest of the four neighbours
    return _Layer(layer.depth_mm, layer.colour * np.where(behind - depth > EDGE_STEP_MM, 0.45, 1.0)[..., None])


def _behind_glass(layer: _Layer, glass: _Layer, opacity: float) -> _Layer:
    """The layer seen through a translucent one where that is nearer."""
    near = np.nan_to_num(glass.depth_mm, nan=np.inf) < np.nan_to_num(layer.depth_mm, nan=np.inf)
    rim = _edged(_Layer(np.where(near, glass.depth_mm, np.nan), glass.colour)).colour
    mixed = opacity * rim + (1 - opacity) * layer.colour
    return _Layer(layer.depth_mm, np.where(near[..., None], mixed, layer.colour))


def channel_distance(phase: PlacedPhase, frame: Frame) -> Distance:
    """The channel lying along its phase's own axis (without the sweep), as a distance in the level frame."""
    still = replace(phase, sweep_deg=0.0)
    return lambda level_mm: np.asarray(swept_distance_mm(frame.to_world_mm(level_mm), still))


def picture_of(solids: Solids, camera: Camera, frame: Frame, phases: Sequence[PlacedPhase] = ()) -> Picture:
    """(rows, columns, 3) picture of the solids, with the channel of each phase drawn translucent."""
    layer = _edged(_nearer(_bone_layer(solids, camera), _plain_layer(solids.contents, SAC, camera)))
    for number, phase in enumerate(phases):
        glass = _plain_layer(channel_distance(phase, frame), phase_colour(number), camera)
        layer = _behind_glass(layer, glass, CHANNEL_OPACITY)
    return np.asarray(np.round(255 * np.clip(layer.colour, 0, 1)), dtype=np.uint8)


def views_of(planned: PlannedCase) -> dict[str, Picture]:
    """The report's four pictures: planned and afterwards, each from the left and from the right."""
    before, after = solids_of(planned.anatomy, planned.level, planned.taken)
    frame = planned.level.frame
    first = {
        f"planned, from the {side}": picture_of(before, dorsal_oblique(side), frame, planned.phases) for side in SIDES
    }
    return first | {f"afterwards, from the {side}": picture_of(after, dorsal_oblique(side), frame) for side in SIDES}
