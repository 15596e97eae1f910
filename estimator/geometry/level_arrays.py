"""A prepared level as flat arrays in the level frame, which compiled loops on any device can run over.

Bone is mass points: the voxels of one bucket (a label, or the stand-in below) within one cell, drawn together in their
centroid. Points lie in leaves of LEAF, leaves in groups of as many, each with an exact bounding sphere and its sums, so
that what lies wholly inside or outside a region is decided at once. Each point knows how near the ray from it along
each of a lattice of directions passes the sac: its table of sight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I8 = npt.NDArray[np.int8]
I32 = npt.NDArray[np.int32]

LEAF = 16
"""Points in a leaf, and leaves in a group: as many as a processor takes at one time."""

MEDIAL_LOOKS, CRANIAL_LOOKS = 13, 7
LOOK_STEP = np.float32(0.25)
"""Each point's table of sight holds this many slopes (left and cranial per dorsal), LOOK_STEP apart, about 0."""

SIGHT_MM = np.float32(0.05)
"""Unit of the tables; they end at 127 of it."""

RAY_MM = np.float32(60.0)
"""Rays are followed this far dorsal of a point; nothing that must be kept out of lies further."""

WIDEST = 256
"""Samples a row can have at most: 64 mm of them."""

DISC_AREA = 1
"""Bucket that is no bone label: mm2 of the disc-level plane that can be freed."""


class Spheres(NamedTuple):
    """S spheres, each about some points; radius -1 where there is none."""

    xyz: F32  # (3, S)
    radius: F32  # (S,)
    sight: I8  # (S, LOOKS) the least of its points' tables
    floor: F32  # (S,) mm, the least of all that


class PointCloud(NamedTuple):
    """Weighted points. N points, L = N / LEAF leaves, G = L / LEAF groups; padding has weight 0."""

    xyz: F32  # (3, N)
    weight: F32  # (N,)
    slope: F32  # (N,) weight lost per mm by which all bone borders are drawn in
    sight: I8  # (N, LOOKS) least distance to the sac on the ray along each look
    leaf: Spheres
    leaf_weight: F64  # (L,)
    leaf_slope: F64  # (L,)
    leaf_lateral: F32  # (L,) greatest distance of a point from the mid-sagittal plane
    group: Spheres
    group_weight: F64
    group_slope: F64
    group_lateral: F32
    bucket: I32  # (G,)


class JointFaceArrays(NamedTuple):
    """Points of one face of the joints, N of them."""

    xyz: F32  # (3, N)
    sight: I8  # (N, LOOKS)
    leaf: Spheres


class JointPairArrays(NamedTuple):
    """Facing points of both joints: N pairs in leaves."""

    inferior: JointFaceArrays
    superior: JointFaceArrays
    area: F32  # (N,) mm2
    width: F32  # (N,) the same, but 0 outside the disc-level slice
    leaf_area: F64
    leaf_width: F64
    side: I32  # (L,) 0 left, 1 right


class SampleRows(NamedTuple):
    """Straight rows of samples through a weak place: R rows, M samples in all, at most WIDEST in one."""

    xyz: F32  # (3, M)
    bone: F32  # (M,) share of bone before
    sight: I8  # (M, LOOKS)
    first: I32  # (R + 1,) each row's first sample
    sphere: Spheres  # R
    plane: I32  # (R,) which section the row lies in, rising
    before_run: F32  # (R,) longest unbroken run of bone, samples
    before_sum: F32  # (R,) sum of bone, samples


class KeepOutField(NamedTuple):
    """The keep-out: a distance field."""

    field: F32  # (nx, ny, nz) mm
    turn: F32  # (3, 4) level mm -> fractional index


class TargetArrays(NamedTuple):
    """Target points: T of them, each of a side and a set."""

    xyz: F32  # (3, T)
    side: I32
    set: I32
    at_disc: npt.NDArray[np.bool_]
    guard: F32  # (nx, ny, nz) signed distance to protected bone, mm
    turn: F32


@dataclass(frozen=True, eq=False)
class LevelArrays:
    """All of a level that the batch needs.

    Parameters
    ----------
    cloud, pairs, pars, base, shade, goals : as above; `pars` of both sides, left first, `pars_planes` planes each
    buckets : what each bucket of the cloud holds: a bone's label, or a stand-in
    base_label : of the upper vertebra's spinous base
    bucket_whole : (B,) array, sum of each
    pars_planes : number of planes of the left pars and of the right one
    sets : names of the target sets
    clearance_mm : what is kept from the sac besides the tool's radius
    cell_mm : size of the cells, and the width over which a point goes from out to in
    """

    cloud: PointCloud
    pairs: JointPairArrays
    pars: SampleRows
    base: SampleRows
    shade: KeepOutField
    goals: TargetArrays
    buckets: tuple[int, ...]
    base_label: int
    bucket_whole: F64
    pars_planes: tuple[int, int]
    sets: tuple[str, ...]
    clearance_mm: float
    cell_mm: float
