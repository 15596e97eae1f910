"""The level frame: disc mid-plane from the facing end plates, mid-sagittal plane from symmetry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import ndimage, optimize, spatial

from canalwise.recon.anatomy import Frame
from canalwise.recon.errors import AnatomyNotFound
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.label_boxes import label_boxes
from canalwise.recon.image.morphology import dilated
from canalwise.recon.image.sampling import mirrored_overlap
from canalwise.recon.labels import Labels, Mask, Part, canal_mask, label_of, vertebra_number
from canalwise.recon.level.resampled_level import ResampledLevel, Share, local_view, source_about

COLUMN_STEP_MM = 1.0
"""Step of the columns along which the end plates are found."""

RIM_MM = 4.0
"""Rim of the end plates left out of the plane fit: lips and rounded edges."""

FACING_MM = 15.0
"""Depth of body behind each end plate that gives the first guess of the axis."""

THINNED = 6000
"""Voxels of a body or the canal that place the first guess, of some 50 000 (choice)."""

FEWEST_COLUMNS = 60
"""Fewest facing columns (about 60 mm2) that still make a disc plane."""

PLATES_LOW_MM, PLATES_HIGH_MM = (-32.0, -48.0, -24.0), (32.0, 8.0, 24.0)
"""The box about a disc's middle that holds both its end plates, level mm."""

SETTLED_MM = 5.0
"""How far that box's corners may still move after the first pass: more than 5 deg (choice)."""

PASSES = 4
"""Passes of end-plate fit; the plane moves by less than 0.01 deg after three on phantoms."""

TURNS_DEG, SHIFTS_MM = np.arange(-24.0, 25.0, 4.0), np.arange(-8.0, 9.0, 2.0)
"""First net of the symmetry search: axial turn and sideways shift."""

MIRROR_POINTS = (4000, 12000)
"""Bone points held against their mirror images, in the first net and in the refinement: every few of some 50 000."""

SYMMETRY_BLUR_MM = 1.0
"""Blur of the bone before mirror images are compared: makes the match smooth to search."""

MIRRORED_PARTS = tuple(p for p in Part if p not in (Part.BODY, Part.DISC, Part.UNDIVIDED, Part.SPINOUS_PROCESS))
"""Parts whose mirror image is sought; a spinous process is often bent and a body lipped on one side."""


@dataclass(frozen=True, eq=False)
class EndPlates:
    """Both end plates that face a disc: a point and a unit normal (cranial) of each, in the frame of the fit."""

    upper_point_mm: Float
    upper_normal: Float
    lower_point_mm: Float
    lower_normal: Float


def level_frame(labels: Labels, grid: Grid, upper: str, lower: str, occupancy: Share | None = None) -> Frame:
    """The level frame of two neighbouring vertebrae.

    z is the mean of the normals of the facing end plates, the plane z = 0 lies midway between
    them, x = 0 is the plane about which the two arches mirror themselves best, and the origin is the canal's
    centroid in z = 0 moved sideways onto x = 0. Cranial is toward `upper`, dorsal from
    body to canal; left follows from RAS by the right-hand rule.

    Parameters
    ----------
    labels : (nx, ny, nz) array of `recon.labels`
    occupancy : (nx, ny, nz) array of bone share; None takes the labels' own steps

    Raises
    ------
    AnatomyNotFound : a body, the canal or enough facing end plate is missing
    """
    share = (labels >= 100).astype(np.float32) if occupancy is None else occupancy
    frame = _rough_frame(labels, grid, upper, lower)
    box = np.array([PLATES_LOW_MM, PLATES_HIGH_MM])
    # The first pass turns the frame by degrees, the others hardly: they read from one box a little larger.
    for passes, room_mm in ((1, 0.0), (PASSES - 1, SETTLED_MM)):
        source = source_about(labels, share, grid, frame, box[0] - room_mm, box[1] + room_mm)
        for _ in range(passes):
            view = source.view(frame, (upper, lower), COLUMN_STEP_MM, *box)
            frame = _on_disc(frame, end_plates(view))
    return _on_midline(labels, share, grid, frame, (upper, lower))


@lru_cache(maxsize=4)
def end_plates(view: ResampledLevel) -> EndPlates:
    """The end plates that face each other in a local view, as robustly fitted planes in level mm.

    Called several times for one view, so the last few answers are kept. Raises AnatomyNotFound when fewer than
    FEWEST_COLUMNS columns cross both.
    """
    view = view.cropped(view.box_around(np.array([PLATES_LOW_MM, PLATES_HIGH_MM]), 0.0))
    above, seen_above = _first_bone_mm(view, view.upper, from_above=False)
    below, seen_below = _first_bone_mm(view, view.lower, from_above=True)
    facing = ndimage.binary_erosion(seen_above & seen_below, iterations=round(RIM_MM / view.step_mm))
    if facing.sum() < FEWEST_COLUMNS:
        raise AnatomyNotFound(
            f"{view.upper}-{view.lower}",
            "needs both facing end plates in view",
            got=f"{int(facing.sum())} mm2 of them",
            do="Use a scan that holds the whole disc.",
        )
    xy = np.argwhere(facing) * view.step_mm + view.low_mm[:2]
    planes = [_plane(np.column_stack([xy, heights[facing]])) for heights in (above, below)]
    return EndPlates(*planes[0], *planes[1])


def _first_bone_mm(view: ResampledLevel, vertebra: str, *, from_above: bool) -> tuple[Float, Mask]:
    """(nx, ny) height of the first body surface met along each column, and whether there is one."""
    base = 100 * vertebra_number(vertebra)
    body = view.labels == base + Part.BODY
    field = np.where(dilated(body), view.vertebra_field(vertebra), np.float32(0.0))
    if from_above:
        field = field[:, :, ::-1]
    full = field >= 0.5
    first = np.maximum(full.argmax(axis=2), 1)
    inner = np.take_along_axis(field, first[..., None], 2)[..., 0]
    outer = np.take_along_axis(field, first[..., None] - 1, 2)[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        index = first - (inner - 0.5) / (inner - outer)
    if from_above:
        index = field.shape[2] - 1 - index
    # a column that starts inside the body is cut by the box, not ended by an end plate
    return index * view.step_mm + view.low_mm[2], full.any(axis=2) & ~full[:, :, 0]


def _plane(points_mm: Float) -> tuple[Float, Float]:
    """Point and cranial unit normal of the plane z = a + b x + c y through (N, 3) points, Tukey-weighted."""
    centre = points_mm[:, :2].mean(axis=0)
    design = np.column_stack([np.ones(len(points_mm)), points_mm[:, :2] - centre])
    weights = np.ones(len(points_mm))
    for _ in range(10):
        root = np.sqrt(weights)
        fit, *_ = np.linalg.lstsq(design * root[:, None], points_mm[:, 2] * root, rcond=None)
        residual = points_mm[:, 2] - design @ fit
        # 4.685 robust standard deviations: Tukey's biweight at 95 % efficiency; 0.1 mm floor for exact planes
        scale = 4.685 * max(1.4826 * float(np.median(np.abs(residual))), 0.1)
        weights = np.clip(1 - (residual / scale) ** 2, 0, None) ** 2
    normal = np.array([-fit[1], -fit[2], 1.0])
    return np.array([*centre, fit[0]]), normal / np.linalg.norm(normal)


def _on_disc(frame: Frame, plates: EndPlates) -> Frame:
    """The frame turned and moved so that z = 0 is the plane midway between the end plates."""
    normal = plates.upper_normal + plates.lower_normal
    middle = frame.to_world_mm((plates.upper_point_mm + plates.lower_point_mm) / 2)
    z = frame.direction_ras(normal / np.linalg.norm(normal))
    # slide the old origin along z onto the plane: keeps it in the canal
    origin = frame.origin_ras_mm + ((middle - frame.origin_ras_mm) @ z) * z
    return Frame(origin, _triad(frame.axes_ras[1], z))


def _triad(dorsal_ras: Float, cranial_ras: Float) -> Float:
    """(3, 3) array of unit rows x, y, z: z kept, y the part of `dorsal_ras` across it, x = y cross z."""
    z = cranial_ras / np.linalg.norm(cranial_ras)
    y = dorsal_ras - (dorsal_ras @ z) * z
    y /= np.linalg.norm(y)
    return np.stack([np.cross(y, z), y, z])


def _rough_frame(labels: Labels, grid: Grid, upper: str, lower: str) -> Frame:
    """A frame good to about 20 deg: axis between the facing ends of the bodies, dorsal toward the canal."""
    boxes = label_boxes(labels)
    bodies = []
    for name in (upper, lower):
        label = label_of(name, Part.BODY)
        box = boxes.get(label, (slice(0, 1), slice(0, 1), slice(0, 1)))
        bodies.append(_thinned_mm(labels[box] == label, grid, f"{name} body", [part.start for part in box]))
    high, low = _facing(bodies[0], bodies[1]), _facing(bodies[1], bodies[0])
    centre = (high.mean(axis=0) + low.mean(axis=0)) / 2
    z = high.mean(axis=0) - low.mean(axis=0)
    z /= np.linalg.norm(z)
    canal = _thinned_mm(canal_mask(labels), grid, "canal")
    near = canal[np.abs((canal - centre) @ z) < FACING_MM]
    if not len(near):
        raise AnatomyNotFound(f"{upper}-{lower}", "needs the canal behind the disc in view")
    return Frame(near.mean(axis=0), _triad(near.mean(axis=0) - centre, z))


def _thinned_mm(mask: Mask, grid: Grid, name: str, start: Sequence[int] = (0, 0, 0)) -> Float:
    """(n, 3) array of RAS mm of evenly picked voxels, some THINNED, of a mask cut from the grid at a voxel `start`."""
    flat = np.flatnonzero(mask)
    if not len(flat):
        raise AnatomyNotFound(name, "must be in the label map to build a level frame")
    picked = flat[:: max(len(flat) // THINNED, 1)]
    return grid.world_mm(np.column_stack(np.unravel_index(picked, mask.shape)) + start)


def _facing(points_mm: Float, other_mm: Float) -> Float:
    """Those of (N, 3) points within FACING_MM behind the one nearest to the other body."""
    distance = np.asarray(spatial.cKDTree(other_mm).query(points_mm)[0])
    return points_mm[distance < distance.min() + FACING_MM]


def _on_midline(labels: Labels, share: Share, grid: Grid, frame: Frame, pair: tuple[str, str]) -> Frame:
    """The frame turned about z and moved sideways onto the plane of symmetry; origin at the canal's centroid."""
    view = local_view(
        labels, share, grid, frame, pair, step_mm=COLUMN_STEP_MM, low_mm=(-40, -34, -42), high_mm=(40, 48, 42)
    )
    turn_deg, shift_mm = symmetry(view)
    turn = np.radians(turn_deg)
    x = frame.direction_ras([np.cos(turn), np.sin(turn), 0.0])
    y = frame.direction_ras([-np.sin(turn), np.cos(turn), 0.0])
    turned = Frame(frame.origin_ras_mm + shift_mm * x, np.stack([x, y, frame.axes_ras[2]]))
    return Frame(turned.to_world_mm([0.0, _centroid_y_mm(labels, grid, turned), 0.0]), turned.axes_ras)


def _centroid_y_mm(labels: Labels, grid: Grid, frame: Frame) -> float:
    """y of the centroid of the canal region's largest piece in the plane z = 0."""
    empty = np.broadcast_to(np.float32(0.0), labels.shape)
    view = local_view(labels, empty, grid, frame, ("", ""), low_mm=(-25, -30, 0), high_mm=(25, 30, 0))
    pieces, count = ndimage.label(view.canal[:, :, 0] >= 0.5)
    if not count:
        raise AnatomyNotFound(
            "canal", "must be crossed by the disc's mid-plane", do="Check the canal labels at this level."
        )
    largest = np.asarray(pieces) == 1 + np.argmax(np.bincount(np.asarray(pieces).ravel())[1:])
    return float(view.points_mm(largest[:, :, None])[:, 1].mean())


def symmetry(view: ResampledLevel) -> tuple[float, float]:
    """(turn_deg, shift_mm) of the plane about which both arches mirror themselves best.

    The plane's normal is x turned by `turn_deg` about z; `shift_mm` is its distance from the origin along that
    normal. Maximises the bone that meets bone when mirrored; what the mirror would
    throw outside the scan does not count, so a lopsided crop does not pull the plane.
    """
    arches = view.mask(view.upper, *MIRRORED_PARTS) | view.mask(view.lower, *MIRRORED_PARTS)
    if not arches.any():
        raise AnatomyNotFound(f"{view.upper}-{view.lower}", "needs parts of the arches to find the midline")
    field = ndimage.gaussian_filter(np.where(arches, view.bone, np.float32(0.0)), SYMMETRY_BLUR_MM / view.step_mm)
    points = view.points_mm(field > 0.1)
    coarse, fine = (_Mirrored(view, field, points[:: max(len(points) // most, 1)]) for most in MIRROR_POINTS)
    _, turn, shift = min((coarse.mismatch((turn, shift)), turn, shift) for turn in TURNS_DEG for shift in SHIFTS_MM)
    start = np.array([[turn, shift], [turn + 3, shift], [turn, shift + 1.5]])
    found = optimize.minimize(
        fine.mismatch,
        (turn, shift),
        method="Nelder-Mead",
        options={"initial_simplex": start, "xatol": 0.02, "fatol": 1e-7, "maxiter": 200},
    )
    return float(found.x[0]), float(found.x[1])


class _Mirrored:
    """Bone points (N, 3), level mm, that are held against their mirror images."""

    def __init__(self, view: ResampledLevel, field: Share, points_mm: Float) -> None:
        self.view, self.field, self.points_mm = view, field, points_mm
        self.own = view.at(field, points_mm)

    def mismatch(self, plane: npt.ArrayLike) -> float:
        """Minus the mean bone that each bone point meets in its mirror image in a plane (turn_deg, shift_mm)."""
        turn, shift = np.asarray(plane, dtype=float) * (np.pi / 180, 1)
        normal = np.array([np.cos(turn), np.sin(turn), 0.0])
        image = np.column_stack([np.eye(3) - 2 * np.outer(normal, normal), 2 * shift * normal])
        view = self.view
        inside = view.grid.index_of(view.frame.to_world_mm(np.vstack([image.T, np.zeros(3)])))
        seen = np.column_stack([*(inside[:3] - inside[4]), inside[3]])
        mirror = (image - np.outer(view.low_mm, [0.0, 0.0, 0.0, 1.0])) / view.step_mm
        both, own = mirrored_overlap(self.field, self.points_mm, self.own, mirror, seen, view.grid.shape)
        return -both / max(own, 1e-9)
