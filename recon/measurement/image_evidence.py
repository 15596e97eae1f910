"""Image evidence for one structure or joint: contrast at its border, width of its gap, and what the scan cuts off.

Everything is read in a small box about the structure, on the scan's own voxels.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.anatomy import Joint
from canalwise.recon.grid import Box, Float, Grid, box_of
from canalwise.recon.image.label_boxes import label_boxes
from canalwise.recon.image.morphology import dilated, eroded
from canalwise.recon.image.sampling import linear_at
from canalwise.recon.labels import Labels, Mask, Tissue, bone_mask, canal_mask
from canalwise.recon.level.resampled_level import disc_mask
from canalwise.recon.scan import Scan

NOISE_FROM_MAD = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation."""

SHELL = 2
"""Voxels outside a border that are compared with those just inside."""

INTO_BONE_MM, PROFILE_STEP_MM = 2.0, 0.25
"""How far behind each face of a joint its brightness is sought, and the step of that."""

MOST_OF_HEIGHT = (5.0, 95.0)
"""Percentiles of a part's voxels between which its height is taken: a stray voxel makes no part tall."""

APART_MM = 3.0
"""How far apart the voxels lie whose difference tells the noise: nearer ones share the grain of kernel and blur, and
seem smoother than they are (choice: over twice the width of a soft kernel's point spread)."""

FINER = 1.25
"""Voxels shorter than the acquired ones by this were put between them (choice)."""

BETWEEN_SLICES = float(np.sqrt(2.0 / 3.0))
"""Deviation left of noise between two samples, drawn at any place between them: the mean of (1 - t)^2 + t^2 is 2/3."""

FEWEST = 8
"""Fewer voxels tell nothing."""


@dataclass(frozen=True, eq=False)
class ImageEvidence:
    """A scan and its labels about one level, with the noise in its soft tissue.

    Parameters
    ----------
    values : (nx, ny, nz) float32 array
    labels, grid : of the same box
    at_end : (nx, ny, nz) array: is the voxel the scan's last along some axis?
    noise : standard deviation of single voxels, in the scan's unit
    longest_mm : longest voxel edge that the image was taken with
    calibrated : is bone brighter than what lies beside it? An MR's cortex is dark
    """

    values: npt.NDArray[np.float32]
    labels: Labels
    grid: Grid
    at_end: Mask
    noise: float
    longest_mm: float
    calibrated: bool = True

    @cached_property
    def soft(self) -> float:
        """Median of the soft tissue; 0 without any."""
        soft = self.values[self.labels == Tissue.SOFT]
        return float(np.median(soft)) if soft.size else 0.0


def picture_of(scan: Scan, part: Labels, box: Box) -> ImageEvidence:
    """The box of a scan with its noise, and the box's own labels.

    >>> values = np.arange(27, dtype=np.int16).reshape(3, 3, 3)
    >>> scan = Scan(values, Grid((3, 3, 3), np.eye(4)), "CT")
    >>> picture_of(scan, np.full((2, 2, 1), 9, np.uint16), (slice(1, 3), slice(1, 3), slice(1, 2))).at_end.sum()
    np.int64(3)
    """
    values = scan.voxels[box].astype(np.float32)
    at_end = np.zeros(part.shape, dtype=bool)
    for axis, (cut, length) in enumerate(zip(box, scan.grid.shape, strict=True)):
        ends = [n for n, here in ((0, cut.start == 0), (-1, cut.stop == length)) if here]
        np.moveaxis(at_end, axis, 0)[ends] = True
    lag = max(1, round(APART_MM / float(scan.grid.spacing_mm[0])))
    noise = noise_of(values, (part < 100) & (part > 0), lag) / BETWEEN_SLICES ** resampled_axes(scan)
    return ImageEvidence(
        values, part, scan.grid.cropped(box), at_end, noise, max(scan.acquired_mm), scan.kind.calibrated
    )


def resampled_axes(scan: Scan) -> int:
    """Axes along which the scan's voxels were put between the acquired ones, which takes noise away.

    >>> resampled_axes(Scan(np.zeros((3, 3, 3), np.int16), Grid((3, 3, 3), np.eye(4)), "CT"))
    0
    """
    return int((np.array(scan.acquired_mm) > FINER * scan.grid.spacing_mm).sum())


def noise_of(values: npt.NDArray[np.float32], soft: Mask, lag: int = 1) -> float:
    """Noise of single voxels: differences along the first axis, `lag` voxels apart, both in soft tissue; 0 without any.

    >>> flat = np.random.default_rng(0).normal(0, 20, (30, 30, 30)).astype(np.float32)
    >>> round(noise_of(flat, np.ones(flat.shape, dtype=bool)))
    20
    """
    step = (values[lag:] - values[:-lag])[soft[lag:] & soft[:-lag]] / np.sqrt(2.0)
    return NOISE_FROM_MAD * float(np.median(np.abs(step))) if step.size else 0.0


@dataclass(frozen=True)
class BorderContrast:
    """One structure's border in the image.

    `contrast`: how much brighter it is than what lies outside, in the scan's unit; `end_frac`: share of its border
    that is the scan's own end; `mm3`: its volume; `height_mm`: its extent along the third axis, cranio-caudal.
    """

    contrast: float
    end_frac: float
    mm3: float
    height_mm: float


def border_of(picture: ImageEvidence, mask: Mask, outside: Mask) -> BorderContrast | None:
    """The border of a structure against `outside`, both (nx, ny, nz) arrays of the picture's box; None when absent."""
    box = box_of(mask, SHELL + 1)
    if box is None or mask[box].sum() < FEWEST:
        return None
    i, j, k = box
    # eroded with a border of bone, so that where the scan ends is not taken for the structure's own border
    own, free, value = mask[i, j, k], outside[i, j, k], picture.values[i, j, k]
    edge = own & ~eroded(own)
    near = own & dilated(free)
    # the voxels that touch the structure are partly filled by it, so the next ones are compared
    shell = free & dilated(own, SHELL) & ~dilated(own)
    seen = near.sum() >= FEWEST and shell.sum() >= FEWEST
    contrast = 0.0
    if seen and picture.calibrated:
        contrast = float(abs(np.median(value[near]) - np.median(value[shell])))
    elif seen:
        contrast = _local_step(value, near)
    ends = own & picture.at_end[i, j, k]
    low, high = np.percentile(np.nonzero(own)[2], MOST_OF_HEIGHT) * picture.grid.spacing_mm[2]
    return BorderContrast(
        contrast,
        float(ends.sum() / max(edge.sum() + ends.sum(), 1)),
        float(own.sum()) * picture.grid.voxel_mm3,
        float(high - low),
    )


def _local_step(value: npt.NDArray[np.float32], near: Mask) -> float:
    """Median change of brightness over SHELL voxels across a border: of an MR, where one side is brighter than the
    other here and darker there."""
    return SHELL * float(np.median(ndimage.gaussian_gradient_magnitude(value, 1.0)[near]))


def borders_of(picture: ImageEvidence, structures: Mapping[str, tuple[int, ...]]) -> dict[str, BorderContrast | None]:
    """Name -> border of structures given as labels: bone against what is not bone, canal contents against bone."""
    bone, canal = bone_mask(picture.labels), canal_mask(picture.labels)
    free = ~bone & (picture.labels > 0)
    boxes = label_boxes(picture.labels)
    found: dict[str, BorderContrast | None] = {}
    for name, values in structures.items():
        mask = canal if name == "canal" else np.zeros_like(canal)
        for value in values if name != "canal" else ():
            if (box := boxes.get(value)) is not None:
                mask[box] |= picture.labels[box] == value
        found[name] = border_of(picture, mask, bone if name == "canal" else free)
    return found


def open_border_frac(picture: ImageEvidence) -> float:
    """Share of the canal's border that neither bone nor disc forms: there its place was filled in; 1 without a canal.

    >>> from canalwise.recon.labels import Part, Tissue, label_of
    >>> labels = np.full((5, 5, 1), label_of("L3", Part.LAMINA_LEFT), np.uint16)
    >>> labels[2, 2], labels[2, 1] = Tissue.CANAL, Tissue.SOFT
    >>> scan = Scan(np.zeros(labels.shape, np.int16), Grid(labels.shape, np.eye(4)), "CT")
    >>> open_border_frac(picture_of(scan, labels, (slice(0, 5), slice(0, 5), slice(0, 1))))
    0.25
    """
    canal = canal_mask(picture.labels)
    border = dilated(canal) & ~canal & (picture.labels > 0)
    walled = bone_mask(picture.labels) | disc_mask(picture.labels)
    return float((border & ~walled).sum() / border.sum()) if border.any() else 1.0


@dataclass(frozen=True)
class JointGap:
    """How a joint's gap looks: brightness of the faces, of the gap between, and the gap's width."""

    faces: float
    between: float
    gap_mm: float


def gap_of(picture: ImageEvidence, joint: Joint) -> JointGap:
    """The joint's gap as the image shows it, from the median profile across all of the joint's points.

    A face is the brightest place of its side's profile, for a thin cortex is bright only at the surface. The darker
    of the two faces counts, so that one bright face beside a dim one does not pass for a gap.
    """
    across = joint.superior_face_ras_mm - joint.inferior_face_ras_mm
    length = np.linalg.norm(across, axis=1, keepdims=True)
    direction = across / np.maximum(length, 1e-9)
    depths = np.arange(0.0, INTO_BONE_MM + PROFILE_STEP_MM, PROFILE_STEP_MM)
    faces = [
        max(_median(picture, start + sign * depth * direction) for depth in depths)
        for start, sign in ((joint.inferior_face_ras_mm, -1.0), (joint.superior_face_ras_mm, 1.0))
    ]
    between = min(_median(picture, joint.inferior_face_ras_mm + part * across) for part in (0.25, 0.5, 0.75))
    return JointGap(min(faces), between, joint.gap_mm)


def _median(picture: ImageEvidence, points_mm: Float) -> float:
    return float(np.median(linear_at(picture.values, picture.grid.index_of(points_mm))))
