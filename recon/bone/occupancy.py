"""Bone as a share of each voxel: thresholds adapted to the patient, partial volume at the border, solid inside.

Along the outer surface a voxel holds soft tissue and cortical bone, so its share of bone is where its value lies
between the two (two-class mixture). Soft tissue is taken from around it: fat beside a joint is darker than muscle. The
thin wall of an old vertebral body never reaches the value of cortical bone; how far it falls short tells how thin it is
(`edge_level_frac`). Inside the wall everything is bone, however pale: trabecular bone of an 80-year-old is about 90 HU
(docs/published-values.md#ct-values), darker than some discs. Where bone ends is decided by `recon.bone.solid_mask`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.bone.partial_volume import bordered
from canalwise.recon.bone.solid_mask import solid
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import box_of
from canalwise.recon.labels import Mask
from canalwise.recon.scan import Scan

Float32 = npt.NDArray[np.float32]

SOFT_RANGE_HU = (-50.0, 150.0)
"""Muscle, fluid and disc lie within; their mode is sought here."""

SMOOTH_VOXELS = 0.7
"""Standard deviation of the blur against noise before bone is looked for."""

WALL_SIGMAS = 4.0
"""A wall must stand out of the soft tissue by this many standard deviations of the smoothed noise."""

WALL_LEAST_HU = 70.0
"""... and by this much, so that a noiseless scan's soft tissues are not taken for bone (common practice, no source)."""

SURE_FRAC = 0.35
"""Share of the step to the typical wall's value from which a voxel starts bone; weaker ones must touch such a one."""

LEAST_PIECE_MM3 = 40.0
"""Smaller bright pieces are noise or calcification (common practice, no source)."""

ENOUGH_VOXELS, RUN = 8_000_000, 16
"""Voxels that tissue levels are read from, and how many neighbouring layers are read where not all are."""

AROUND_MM = 12.0
"""Surroundings of bone that its border is read from: four deviations of the widest blur there."""

CORTICAL_PERCENTILE = 90.0
"""Of the ridges' values: thick cortices reach the value of cortical bone, thin ones do not."""


@dataclass(frozen=True)
class BoneModel:
    """Tissue levels of a scan, HU, measured in the scan itself.

    Parameters
    ----------
    soft_hu : mode of the soft tissue
    noise_hu : standard deviation of the noise in it
    wall_hu : typical value of the bony wall (median of its ridges)
    cortical_hu : value of cortical bone where it is thick
    threshold_hu : smoothed value from which a voxel can be bone
    """

    soft_hu: float
    noise_hu: float
    wall_hu: float
    cortical_hu: float
    threshold_hu: float


def bone_model(scan: Scan) -> BoneModel:
    """The tissue levels of a CT; raises UnusableInput for an MR or a scan without bone."""
    scan.kind.check("bone by density")
    voxels = _sampled(scan.voxels)
    return _model(_smooth(voxels), voxels)


def _sampled(voxels: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
    """The voxels, or of many every few runs of RUN layers: tissues do not change over a centimetre."""
    step = -(-voxels.size // ENOUGH_VOXELS)
    layers = np.arange(voxels.shape[2])
    return voxels if step == 1 else voxels[:, :, layers // RUN % step == 0]


def _smooth(voxels: npt.NDArray[np.generic]) -> Float32:
    return np.asarray(ndimage.gaussian_filter(voxels.astype(np.float32), SMOOTH_VOXELS))


def _model(smooth: Float32, voxels: npt.NDArray[np.generic]) -> BoneModel:
    low, high = SOFT_RANGE_HU
    counts, edges = np.histogram(smooth, np.arange(low, high + 2.0, 2.0))
    if counts.sum() < 100:
        raise UnusableInput(
            "scan",
            f"shows no soft tissue ({low:.0f}..{high:.0f} HU)",
            got=f"{counts.sum()} voxels",
            do="Check the rescale slope and intercept of the series.",
        )
    soft = float(edges[ndimage.gaussian_filter1d(counts.astype(float), 3.0).argmax()] + 1.0)
    # noise is read in soft tissue alone: elsewhere neighbouring voxels differ for what they show
    flat = np.abs(smooth - soft) < 60.0
    step = np.diff(voxels.astype(np.float32), axis=0)[flat[1:] & flat[:-1]] / np.sqrt(2.0)
    # the median of absolute values as a standard deviation, were they normal: borders that slipped in do not move it
    noise = 1.4826 * float(np.median(np.abs(step))) if step.size else 0.0
    # White noise of standard deviation 1 keeps 1 / (2 sqrt(pi) s)^1.5 of it through a Gaussian of s voxels (3-D).
    kept = (2.0 * np.sqrt(np.pi) * SMOOTH_VOXELS) ** -1.5
    threshold = soft + max(WALL_SIGMAS * kept * noise, WALL_LEAST_HU)
    at = (smooth == ndimage.maximum_filter(smooth, 3)) & (smooth > threshold + 50.0)
    ridges = smooth[at]
    if ridges.size < 20:
        raise UnusableInput(
            "scan",
            "shows no bone",
            got=f"{ridges.size} bright ridges above {threshold:.0f} HU",
            do="Check that the scan holds the lumbar spine and is in Hounsfield units.",
        )
    cortical = float(np.percentile(voxels[at], CORTICAL_PERCENTILE))
    return BoneModel(soft, noise, float(np.median(ridges)), cortical, threshold)


def occupancy_of(scan: Scan) -> tuple[Float32, BoneModel]:
    """(share of each voxel that is bone, the model it rests on).

    Returns
    -------
    occupancy : (nx, ny, nz) float32 array, 0..1 in steps of 1/255; interiors of closed bones are 1
    model : the tissue levels found

    Raises
    ------
    UnusableInput : not a CT, or no bone in it
    """
    model = bone_model(scan)
    return occupancy_within(solid(wall_mask(scan, model), scan.grid), scan, model), model


def wall_mask(scan: Scan, model: BoneModel) -> Mask:
    """(nx, ny, nz) array: bright enough to be bone, touching surely bright bone, and not a speck."""
    smooth = _smooth(scan.voxels)
    weak = smooth >= model.threshold_hu
    sure = smooth >= model.soft_hu + SURE_FRAC * (model.wall_hu - model.soft_hu)
    pieces = cc3d.connected_components(weak, connectivity=26)
    keep = np.zeros(int(pieces.max()) + 1, dtype=bool)
    keep[np.unique(pieces[sure & weak])] = True
    counts = np.bincount(pieces.ravel(), minlength=len(keep))
    keep &= counts * scan.grid.voxel_mm3 >= LEAST_PIECE_MM3
    keep[0] = False
    return np.asarray(keep[pieces])


def occupancy_within(bone: Mask, scan: Scan | None, model: BoneModel | None = None) -> Float32:
    """The share of bone of each voxel for a solid bone mask.

    Parameters
    ----------
    bone : (nx, ny, nz) bool array, solid bones
    scan : the CT the mask belongs to: voxels at its border are then given the share that their value
        stands for, and a halo of under half-occupied voxels is carved off; without one, or with an
        MR, the mask itself is returned
    model : the scan's tissue levels; found when left out

    >>> occupancy_within(np.ones((2, 2, 2), dtype=bool), None).min()
    np.float32(1.0)
    """
    if scan is None or not scan.kind.calibrated:
        return bone.astype(np.float32)
    share = np.zeros(bone.shape, dtype=np.float32)
    box = box_of(bone, np.ceil(AROUND_MM / scan.grid.spacing_mm))
    if box is not None:
        share[box] = bordered(bone[box], scan.cropped(box))
    return share
