"""A segment of plain shapes with closed-form answers: ellipses, slabs and flat joints, in any pose and on any grid."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from scipy.spatial.transform import Rotation

from canalwise.recon.anatomy import Frame, Level
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.grid import Float, Grid, isotropic_grid
from canalwise.recon.labels import Labels, Part, Side, Tissue, label_of, sided
from canalwise.recon.level.resampled_level import ResampledLevel, local_view

CANAL_HALF_WIDTH, CANAL_HALF_DEPTH = 12.0, 9.0
DISC_HEIGHT, BODY_HEIGHT = 8.0, 27.0
WINDOW_LOW, WINDOW_HIGH = -9.0, 3.0
FACET_CENTRE_X, FACET_CENTRE_Y, FACET_CENTRE_Z = 16.5, 8.0, -3.0
FACET_HEIGHT, FACET_THICK = 16.0, 5.0


@dataclass(frozen=True)
class Shapes:
    """The sizes that tests vary; RAS = rotation @ level + shift, level axes left, dorsal, cranial."""

    facet_angle_deg: dict[Side, float] = field(default_factory=lambda: {"left": 40.0, "right": 40.0})
    facet_width_mm: float = 14.0
    gap_mm: float = 2.0
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def axes_ras(self) -> Float:
        """(3, 3) array, rows are the level's x, y, z in RAS."""
        turned = Rotation.from_euler("xyz", self.turn_deg, degrees=True).as_matrix()
        return np.diag([-1.0, -1.0, 1.0]) @ turned.T


def labelled(shapes: Shapes, grid: Grid, split: int = 2) -> tuple[Labels, Float]:
    """Labels at voxel centres and the bone share by split^3 samples in each voxel."""
    labels = _labels_at(shapes, grid.voxel_centres_mm())
    share = np.zeros(grid.shape, dtype=np.float32)
    offsets = (np.arange(split) + 0.5) / split - 0.5
    for i in offsets:
        for j in offsets:
            for k in offsets:
                moved = grid.voxel_centres_mm() + grid.affine_ras_mm[:3, :3] @ np.array([i, j, k])
                found = _labels_at(shapes, moved)
                share += (found >= 100) & (found % 100 != Part.DISC)
    return labels, share / split**3


def _labels_at(shapes: Shapes, world: Float) -> Labels:
    level = (world - np.array(shapes.shift_mm)) @ shapes.axes_ras.T
    x, y, z = np.moveaxis(level, -1, 0)
    out = np.full(x.shape, Tissue.SOFT, dtype=np.uint16)
    round_ = (x / CANAL_HALF_WIDTH) ** 2 + (y / CANAL_HALF_DEPTH) ** 2
    body = ((x / 23) ** 2 + ((y + 26) / 18) ** 2 < 1) & (round_ > 1)
    out[body & (np.abs(z) < DISC_HEIGHT / 2)] = label_of("L3", Part.DISC)
    half = DISC_HEIGHT / 2
    for name, low, high in (("L3", half, half + BODY_HEIGHT), ("L4", -half - BODY_HEIGHT, -half)):
        out[body & (z > low) & (z < high)] = label_of(name, Part.BODY)
        arch_top = high - 3
        _arch(out, name, level, round_, (arch_top - 13, arch_top))
    _laminae(out, "L3", level, round_, (WINDOW_HIGH, 24.0))
    _laminae(out, "L4", level, round_, (-31.0, WINDOW_LOW))
    for side, sign in (("left", 1.0), ("right", -1.0)):
        _joint(out, shapes, side, level * [sign, 1, 1])
    out[round_ < 1] = Tissue.CANAL
    return out


def _arch(out: Labels, name: str, level: Float, round_: Float, z_range: tuple[float, float]) -> None:
    x, y, z = np.moveaxis(level, -1, 0)
    high = (z > z_range[0]) & (z < z_range[1]) & (round_ > 1)
    pedicle = (np.abs(x) < 20) & (np.abs(x) > 8) & (y > -13) & (y < 1) & high
    free = pedicle & (out == Tissue.SOFT)
    pars = (np.abs(x) > 12) & (np.abs(x) < 20) & (y >= 1) & (y < 9) & (z > z_range[0] - 4) & (z < z_range[1])
    pars &= round_ > 1
    for side, sign in (("left", 1.0), ("right", -1.0)):
        out[free & (sign * x > 0)] = label_of(name, sided("pedicle", side))
        out[pars & (sign * x > 0)] = label_of(name, sided("pars", side))


def _laminae(out: Labels, name: str, level: Float, round_: Float, z_range: tuple[float, float]) -> None:
    x, y, z = np.moveaxis(level, -1, 0)
    high = (z > z_range[0]) & (z < z_range[1]) & (round_ > 1)
    roof = (x / (CANAL_HALF_WIDTH + 6)) ** 2 + (y / (CANAL_HALF_DEPTH + 6)) ** 2 < 1
    for side, sign in (("left", 1.0), ("right", -1.0)):
        out[high & roof & (y > 1) & (np.abs(x) < 12) & (sign * x > 0)] = label_of(name, sided("lamina", side))
    out[high & (np.abs(x) < 4) & (y > 15) & (y < 42)] = label_of(name, Part.SPINOUS_PROCESS)
    out[high & (np.abs(x) < 5) & (y > 1) & (y < CANAL_HALF_DEPTH + 7)] = label_of(name, Part.SPINOUS_BASE)


def _joint(out: Labels, shapes: Shapes, side: Side, mirrored: Float) -> None:
    angle = np.radians(shapes.facet_angle_deg[side])
    x, y, z = np.moveaxis(mirrored - [FACET_CENTRE_X, FACET_CENTRE_Y, FACET_CENTRE_Z], -1, 0)
    along, across = x * np.sin(angle) + y * np.cos(angle), x * np.cos(angle) - y * np.sin(angle)
    face = (np.abs(along) < shapes.facet_width_mm / 2) & (np.abs(z) < FACET_HEIGHT / 2)
    depth = np.abs(across) - shapes.gap_mm / 2
    plate = face & (depth > 0) & (depth < FACET_THICK)
    room = np.abs(across) < shapes.gap_mm / 2 + 4
    out[face & room & (mirrored[..., 0] > 0) & (out >= 100) & (out % 100 != Part.BODY)] = Tissue.SOFT
    out[plate & (across > 0) & (mirrored[..., 0] > 0)] = label_of("L4", sided("superior_articular", side))
    out[plate & (across < 0) & (mirrored[..., 0] > 0)] = label_of("L3", sided("inferior_articular", side))


TURNED = Shapes({"left": 30.0, "right": 50.0}, turn_deg=(12.0, -8.0, 9.0), shift_mm=(3.0, -20.0, 7.0))
"""Oblique to the grid, with unequal joints."""


def truth_frame(shapes: Shapes) -> Frame:
    """The level frame the shapes were placed in."""
    return Frame(np.array(shapes.shift_mm), shapes.axes_ras)


def odd_grid(shapes: Shapes) -> Grid:
    """Unequal spacings, first and second array axis running to patient right and posterior."""
    affine = np.diag([0.9, -0.8, 1.1, 1.0])
    affine[:3, 3] = np.add(shapes.shift_mm, (-41, 56, -43))
    return Grid((92, 141, 79), affine)


def even_grid(shapes: Shapes, spacing_mm: float = 1.0) -> Grid:
    """An isotropic grid about the shapes; its voxel centres do not lie on their whole-mm walls."""
    centre = np.add(shapes.shift_mm, (0.31, 0.17, 0.23))
    reach = np.array([40, 54, 42])
    return isotropic_grid(centre - reach, centre + reach, spacing_mm)


@cache
def case(which: str) -> tuple[Shapes, Labels, Float, Grid]:
    """'plain' on an even grid, 'turned' on an odd one: shapes, labels, bone share, grid."""
    shapes = Shapes() if which == "plain" else TURNED
    grid = even_grid(shapes) if which == "plain" else odd_grid(shapes)
    return shapes, *labelled(shapes, grid), grid


@cache
def view(which: str) -> ResampledLevel:
    """A case seen in its true frame."""
    shapes, labels, share, grid = case(which)
    return local_view(labels, share, grid, truth_frame(shapes), ("L3", "L4"))


@cache
def level(which: str) -> Level:
    """A case's only level, read as a user would."""
    _, labels, share, grid = case(which)
    found = levels_of(labels, share, grid)
    assert len(found) == 1
    return found[0]
