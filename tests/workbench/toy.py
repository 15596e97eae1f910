"""A made-up motion segment of plain shapes, small enough to draw and to count by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from canalwise.recon.anatomy import Anatomy, Frame, Joint, Level, Measurement, Targets, Window
from canalwise.recon.grid import Grid
from canalwise.recon.labels import Part, Tissue, label_of, sided
from canalwise.recon.scan import Scan

SPACING_MM = 1.0
LOW_MM = np.array([-32.0, -42.0, -34.0])
SHAPE = (65, 85, 69)
ORIGIN_RAS_MM = np.array([5.0, -7.0, 120.0])
# level x is the patient's LEFT = RAS -x; level y is DORSAL = RAS -y
AXES_RAS = np.diag([-1.0, -1.0, 1.0])

TARGETS = {
    "canal wall": (11.0, 0.0, 0.0),
    "disc border": (5.0, -7.0, 0.0),
    "lateral recess": (10.0, -3.0, -6.0),
    "foramen entrance": (11.0, 0.0, 6.0),
}


def frame() -> Frame:
    """The toy's level frame, off the world's origin."""
    return Frame(ORIGIN_RAS_MM, AXES_RAS)


def grid() -> Grid:
    """1 mm voxels, array axes along the level's axes (so world axes 0 and 1 run backwards)."""
    affine = np.eye(4)
    affine[:3, :3] = AXES_RAS.T * SPACING_MM
    affine[:3, 3] = frame().to_world_mm(LOW_MM)
    return Grid(SHAPE, affine)


def _arch(labels, mask_z, name, x, y):
    roof = ((x / 11) ** 2 + (y / 8) ** 2 > 1) & ((x / 16) ** 2 + (y / 14) ** 2 <= 1) & (y > 0) & mask_z
    for side, half in (("left", x > 0), ("right", x <= 0)):
        labels[roof & half] = label_of(name, sided("lamina", side))
    spine = (np.abs(x) <= 3) & (y > 8) & (y < 36) & mask_z
    labels[spine] = label_of(name, Part.SPINOUS_PROCESS)
    labels[spine & (y < 15)] = label_of(name, Part.SPINOUS_BASE)


@cache
def labels() -> np.ndarray:
    """(nx, ny, nz) label map of two vertebrae, L3 and L4."""
    x, y, z = np.moveaxis(LOW_MM + SPACING_MM * np.stack(np.indices(SHAPE), -1), -1, 0)
    out = np.full(SHAPE, int(Tissue.SOFT), np.uint16)
    body = (x / 22) ** 2 + ((y + 25) / 16) ** 2 <= 1
    canal = (x / 11) ** 2 + (y / 8) ** 2 <= 1
    for name, mask_z in (("L3", z >= 4), ("L4", z <= -5)):
        out[body & mask_z] = label_of(name, Part.BODY)
        _arch(out, mask_z, name, x, y)
    out[canal] = int(Tissue.CANAL)
    out[(x / 9) ** 2 + ((y + 1) / 5.5) ** 2 <= 1] = int(Tissue.SAC)
    for side, sign in (("left", 1), ("right", -1)):
        u = sign * x
        out[(u >= 11) & (u < 15) & (y >= 2) & (y < 14) & (z >= -10) & (z < 6)] = label_of(
            "L3", sided("inferior_articular", side)
        )
        out[(u >= 16) & (u < 20) & (y >= 0) & (y < 12) & (z >= -12) & (z < 8)] = label_of(
            "L4", sided("superior_articular", side)
        )
    out.setflags(write=False)
    return out


def _joint(side: str, sign: int) -> Joint:
    y, z = (v.ravel() for v in np.meshgrid(np.arange(3.0, 12), np.arange(-9.0, 6), indexing="ij"))
    faces = [frame().to_world_mm(np.stack([np.full_like(y, sign * u), y, z], -1)) for u in (14.5, 15.5)]
    return Joint(side, faces[0], faces[1], np.ones(len(y)), 40.0, 1.5)


def _landmarks() -> dict[str, np.ndarray]:
    marks = {}
    for side, sign in (("left", 1), ("right", -1)):
        for name, point in (
            ("upper_lamina_caudal_edge", (7, 11, 4)),
            ("lower_lamina_cranial_edge", (7, 11, -5)),
            ("facet_centre", (15, 7, -2)),
        ):
            marks[f"{name}_{side}"] = frame().to_world_mm([sign * point[0], *point[1:]])
    return marks


@cache
def anatomy() -> Anatomy:
    """Two vertebrae, one level, L3-L4, with joints, windows, targets and a few measurements."""
    values, place = labels(), frame()
    bone = ((values >= 100) & (values % 100 != Part.DISC)).astype(np.float32)
    targets = {
        side: Targets(side, {name: place.to_world_mm([[sign * x, y, z]]) for name, (x, y, z) in TARGETS.items()})
        for side, sign in (("left", 1), ("right", -1))
    }
    level = Level(
        name="L3-L4",
        upper="L3",
        lower="L4",
        frame=place,
        joints={side: _joint(side, sign) for side, sign in (("left", 1), ("right", -1))},
        windows={
            side: Window(
                side, place.to_world_mm([sign * 5.0, 7.0, 0.0]), place.direction_ras([0.0, 1.0, 0.0]), 10.0, 9.0, 80.0
            )
            for side, sign in (("left", 1), ("right", -1))
        },
        targets=targets,
        landmarks_ras_mm=_landmarks(),
        measurements=(
            Measurement("canal area", 276.5, "mm2", "canal", "disc", "normal", "reference"),
            Measurement("mid-sagittal diameter", 9.4, "mm", "canal", "disc", "absolute stenosis", "reference"),
        ),
        warnings=("The level is named by the person who built the case.",),
    )
    return Anatomy(
        grid(),
        values,
        bone,
        (level,),
        {"parts": "given", "canal": "given", "sac": "modelled", "flavum": "modelled", "levels": "given"},
    )


PRESSED_MM = (6.5, 3.6)
"""Half axes of the sac where ligament presses on it; elsewhere they are 9 and 5.5 mm."""

LIGAMENT_MM = 9.0
"""The ligament reaches this far cranial and caudal of the disc."""


@cache
def pressed_anatomy(lowest_mm: float = 1.0) -> Anatomy:
    """The same segment with a ligament that presses on the sac from behind: what a decompression is for.

    It reaches down to a height beside the sac; from -4 mm on the usual plan frees too little across, with a bite of
    2 mm from below 0 on.
    """
    x, y, z = np.moveaxis(LOW_MM + SPACING_MM * np.stack(np.indices(SHAPE), -1), -1, 0)
    values = labels().copy()
    inside = (np.abs(z) <= LIGAMENT_MM) & np.isin(values, (Tissue.CANAL, Tissue.SAC))
    pressed = (x / PRESSED_MM[0]) ** 2 + ((y + 2) / PRESSED_MM[1]) ** 2 <= 1
    values[inside & ~pressed & (y > lowest_mm)] = Tissue.FLAVUM
    values[inside & ~pressed & (y <= lowest_mm)] = Tissue.CANAL
    values.setflags(write=False)
    marks = {
        f"{name}_{side}": frame().to_world_mm([sign * width, 0.0, height])
        for side, sign in (("left", 1), ("right", -1))
        for name, width, height in (
            ("lower_pedicle_upper_edge", 12.0, -8.0),
            ("upper_pedicle_lower_edge", 12.0, 11.0),
            ("lower_pedicle_medial", 11.0, -14.0),
            ("upper_pedicle_medial", 11.0, 16.0),
        )
    }
    level = anatomy().levels[0]
    level = replace(level, landmarks_ras_mm={**level.landmarks_ras_mm, **marks})
    return replace(anatomy(), labels=values, levels=(level,))


@cache
def scan() -> Scan:
    """CT numbers of the toy: 40 HU soft tissue, 700 HU bone, 10 HU in the sac, air behind the skin."""
    values = np.where(anatomy().occupancy > 0, 700, 40).astype(np.int16)
    values[labels() == Tissue.SAC] = 10
    values[:, -2:, :] = -1000
    return Scan(values, grid(), "CT", {"format": "made up"})
