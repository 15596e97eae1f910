"""Solids of known size about a level that lies askew in its scan: what the page's pictures are held against."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from canalwise.recon.anatomy import Anatomy, Frame, Level
from canalwise.recon.case.folder import Case
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, Tissue, label_of
from canalwise.recon.scan import Scan
from canalwise.workbench.rehearsal.session.session import Session

LEFT = (np.array([20.0, 10.0, 5.0]), 9.0, label_of("L3", Part.LAMINA_LEFT))
RIGHT = (np.array([-18.0, 4.0, -12.0]), 6.0, label_of("L4", Part.LAMINA_RIGHT))
"""Centre (level mm), radius and label of two balls of bone."""

ROD_MM, ROD = 4.0, label_of("L3", Part.SPINOUS_PROCESS)
"""Radius of a rod of bone along the level's x, at ROD_AT, longer than the scene is wide."""

ROD_AT = np.array([0.0, 40.0, 30.0])
SAC_MM = 7.0
SKIN_MM = 62.0
"""Radius of the sac about the level's z; the skin is flat, this far dorsal."""

SPACING_MM = np.array([0.8, 0.7, 0.9])


def frame() -> Frame:
    """Off the world's origin and turned out of its axes."""
    turn = Rotation.from_euler("xyz", [8.0, -6.0, 5.0], degrees=True).as_matrix()
    return Frame(np.array([12.0, -30.0, 200.0]), np.diag([-1.0, -1.0, 1.0]) @ turn)


def grid(flipped: bool = False) -> Grid:
    """A grid square to the world, or one whose first axis runs in reverse."""
    shape, affine = (140, 190, 130), np.diag([*SPACING_MM, 1.0])
    if flipped:
        affine[0, 0] *= -1
    affine[:3, 3] = frame().to_world_mm([0.0, 8.0, 0.0]) - affine[:3, :3] @ (np.array(shape) - 1) / 2
    return Grid(shape, affine)


def share_of_ball(points, centre, radius_mm, spacing_mm=0.8):
    """(...,) share of a voxel about each level point that lies in a ball: a ramp across its border, as a scan has."""
    return np.clip((radius_mm - np.linalg.norm(points - centre, axis=-1)) / spacing_mm + 0.5, 0.0, 1.0)


def anatomy(flipped: bool = False) -> Anatomy:
    """Two balls and a rod of bone, a sac along the canal, air behind flat skin."""
    place = grid(flipped)
    points = frame().to_level_mm(place.voxel_centres_mm())
    labels = np.full(place.shape, int(Tissue.SOFT), np.uint16)
    labels[points[..., 1] > SKIN_MM] = Tissue.OUTSIDE
    labels[np.hypot(points[..., 0], points[..., 1]) < SAC_MM] = Tissue.SAC
    rod = np.clip((ROD_MM - np.linalg.norm((points - ROD_AT)[..., 1:], axis=-1)) / 0.8 + 0.5, 0.0, 1.0)
    shares = [(rod, ROD)] + [(share_of_ball(points, centre, radius), n) for centre, radius, n in (LEFT, RIGHT)]
    for share, label in shares:
        labels[share >= 0.5] = label
    occupancy = np.max([share for share, _ in shares], axis=0).astype(np.float32)
    level = Level("L3-L4", "L3", "L4", frame(), {}, {}, {}, {"disc_centre": frame().to_world_mm([0.0, -20.0, 0.0])})
    return Anatomy(place, labels, occupancy, (level,), {"sac": "given"})


def session_of(found: Anatomy, scan: Scan | None = None) -> Session:
    """A desk with that anatomy; its scan has a number of its own in every voxel."""
    grey = np.arange(np.prod(found.grid.shape)) % 3001 - 1000
    scan = scan or Scan(grey.reshape(found.grid.shape).astype(np.int16), found.grid, "CT")
    return Session(Case(scan, found, Path("nowhere")))
