"""The bone in 3D with the channel and the bone to be removed: the pictures of the report.

Everything is laid on one isotropic grid in the level frame, then looked at by `workbench.raycast`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from estimator.approach import PlacedPhase
from estimator.solid import swept_distance_mm
from recon.anatomy import Anatomy, Frame, Level
from recon.grid import Float
from recon.labels import CANAL_CONTENTS, SIDES, Side, Tissue
from workbench.palette import BONE, REMOVED, SAC, phase_colour, rgb_frac
from workbench.planes import sampled
from workbench.planned import Taken
from workbench.raycast import Camera, Distance, Field, first_hits_mm, normals_of, solid_distance

BOX_LOW_MM, BOX_HIGH_MM = np.array([-45.0, -42.0, -48.0]), np.array([45.0, 58.0, 48.0])
"""What is shown of the patient, in the level frame: one motion segment and the halves next to it."""

CELL_MM = 0.7
"""Cells of the grid the pictures are made on; for looking at, never for measuring."""

SHADE_REACH_MM = 2.8
"""How far off the surface neighbouring bone is felt as shade."""

CHANNEL_OPACITY = 0.42
"""How much of what lies behind it the channel hides."""

EDGE_STEP_MM = 2.5
"""A jump in depth between neighbouring pixels that is drawn as an edge."""

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Solids:
    """What the pictures show, as shares of each cell of one grid in the level frame."""

    bone: Field
    removed: Field
    sac: Field
    has_sac: bool


def _cells_level_mm() -> tuple[Float, tuple[int, ...]]:
    counts = np.round((BOX_HIGH_MM - BOX_LOW_MM) / CELL_MM).astype(int) + 1
    return BOX_LOW_MM + CELL_MM * np.moveaxis(np.indices(counts), 0, -1), tuple(int(n) for n in counts)


def solids_of(anatomy: Anatomy, level: Level, taken: Taken) -> Solids:
    """The bone, the part of it the task takes away and the sac, on the pictures' grid."""
    cells, _ = _cells_level_mm()
    world = level.frame.to_world_mm(cells)
    sac = anatomy.labels == Tissue.SAC
    has_sac = bool(sac.any())
    contents = sac if has_sac else np.isin(anatomy.labels, CANAL_CONTENTS)

    def laid(values: npt.NDArray[np.generic], grid: object) -> Field:
        return Field(sampled(values, grid, world).astype(np.float32), BOX_LOW_MM, CELL_MM)

    return Solids(laid(anatomy.occupancy, anatomy.grid), laid(taken.task_frac, taken.grid), laid(contents, anatomy.grid), has_sac)


def without_removed(solids: Solids) -> Solids:
    """The same after the task: the bone to be removed is gone, nothing is painted."""
    left = solids.bone.values * (1 - solids.removed.values)
    nothing = replace(solids.removed, values=np.zeros_like(left))
    return replace(solids, bone=replace(solids.bone, values=left), removed=nothing)


def dorsal_oblique(side: Side) -> Camera:
    """The camera that looks from dorsal, from the patient's given side and a little from below."""
    lateral = 0.75 if side == "left" else -0.75
    return Camera(toward_viewer=(lateral, 1.0, -0.28), centre_level_mm=(0.0, 12.0, 0.0))


def _lit(distance: Distance, shade: Field | None, points: Float, camera: Camera) -> tuple[Float, Float]:
    """(N,) brightness and (N, 3) normals at surface points; the lamp hangs above the viewer's left shoulder."""
    normal = normals_of(distance, points)
    right, up, toward = camera.triad()
    lamp = toward + 0.7 * up - 0.6 * right
    bright = 0.38 + 0.62 * np.clip(normal @ (lamp / np.linalg.norm(lamp)), 0, 1)
    if shade is not None:
        bright = bright * (1.12 - 0.75 * np.clip(shade(points + SHADE_REACH_MM * normal), 0, 1))
    return bright, normal


@dataclass(frozen=True, eq=False)
class _Layer:
    depth_mm: Float
    colour: Float


def _bone_layer(solids: Solids, camera: Camera) -> _Layer:
    distance, _ = solid_distance(solids.bone)
    depth = first_hits_mm(distance, camera)
    hit = np.isfinite(depth)
    points = camera.starts()[hit] - depth[hit][:, None] * camera.triad()[2]
    blur = replace(solids.bone, values=gaussian_filter(solids.bone.values, SHADE_REACH_MM / CELL_MM))
    bright, normal = _lit(distance, blur, points, camera)
    painted = np.clip((solids.removed(points - CELL_MM * normal) - 0.25) / 0.4, 0, 1)[:, None]
    base = (1 - painted) * np.array(rgb_frac("#f3ead6")) + painted * np.array(rgb_frac(REMOVED))
    return _Layer(depth, _spread(hit, base * bright[:, None]))


def _plain_layer(distance: Distance, colour: str, camera: Camera) -> _Layer:
    depth = first_hits_mm(distance, camera)
    hit = np.isfinite(depth)
    points = camera.starts()[hit] - depth[hit][:, None] * camera.triad()[2]
    bright, _ = _lit(distance, None, points, camera)
    return _Layer(depth, _spread(hit, np.array(rgb_frac(colour)) * bright[:, None]))


def _spread(hit: npt.NDArray[np.bool_], values: Float) -> Float:
    picture = np.ones((*hit.shape, 3))
    picture[hit] = values
    return picture


def _nearer(one: _Layer, other: _Layer) -> _Layer:
    first = np.where(np.isfinite(one.depth_mm), one.depth_mm, np.inf) <= np.where(np.isfinite(other.depth_mm), other.depth_mm, np.inf)
    return _Layer(np.where(first, one.depth_mm, other.depth_mm), np.where(first[..., None], one.colour, other.colour))


def _edged(layer: _Layer) -> _Layer:
    """The layer with its outlines darkened, so that a lamina stands off from what lies behind it."""
    depth = np.nan_to_num(layer.depth_mm, nan=1e3)
    jump = np.maximum(np.abs(np.diff(depth, axis=0, prepend=depth[:1])), np.abs(np.diff(depth, axis=1, prepend=depth[:, :1])))
    return _Layer(layer.depth_mm, layer.colour * np.where(jump > EDGE_STEP_MM, 0.45, 1.0)[..., None])


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
    sac, _ = solid_distance(solids.sac)
    layer = _edged(_nearer(_bone_layer(solids, camera), _plain_layer(sac, SAC, camera)))
    for number, phase in enumerate(phases):
        glass = _plain_layer(channel_distance(phase, frame), phase_colour(number), camera)
        layer = _behind_glass(layer, glass, CHANNEL_OPACITY)
    return np.asarray(np.round(255 * np.clip(layer.colour, 0, 1)), dtype=np.uint8)


def views_of(solids: Solids, level: Level, phases: Sequence[PlacedPhase]) -> dict[str, Picture]:
    """The report's four pictures: planned and afterwards, each from the left and from the right."""
    after = without_removed(solids)
    planned = {f"planned, from the {side}": picture_of(solids, dorsal_oblique(side), level.frame, phases) for side in SIDES}
    return planned | {f"afterwards, from the {side}": picture_of(after, dorsal_oblique(side), level.frame) for side in SIDES}
