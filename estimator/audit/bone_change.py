"""Probability of bone loss in each voxel between two scans, from registered and smoothed differences.

1. Both scans are read on the voxels of the scan before, each vertebra's bone through its own motion, and the later
   one's values are brought to the earlier one's by the straight line that fits on bone which no operation touches.
2. The sharper scan is blurred until untouched borders look alike, and the difference is averaged over a small
   Gaussian: what two kernels still differ by are steps up and down at every border, which cancel; bone that is gone
   does not.
3. How much such an average differs without any operation is measured on the untouched bone of the same pair, as a
   standard deviation that grows with how steep the image is: it holds both scans' noise, blur and the registration.
4. At each voxel of bone two things may be true: it stayed (no difference), or it was taken (the difference that soft
   tissue in its place would make). The odds of both, with neighbours' say (a mean-field Potts model), are the
   probability.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from canalwise.estimator.audit.deblurring import point_spread_mm
from canalwise.estimator.audit.scan_pair import ScanPair
from canalwise.estimator.level.level_bone import PROTECTED, LevelBone
from canalwise.recon.bone.occupancy import BoneModel, bone_model
from canalwise.recon.errors import UnusableInput
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_box
from canalwise.recon.labels import Mask, bone_mask, vertebra_number
from canalwise.recon.registration.rigid_motion import RigidMotion

Field = npt.NDArray[np.float32]

BLUR_MM, BLUR_VOXELS = 0.7, 0.7
"""Deviation of the average: the larger of both (scripts/accuracy_audit.py)."""

REACH_SIGMAS = 2.5
"""An average reaches no further than this many of its deviations."""

LINE_BLUR_MM = 2.0
"""Blur at which values of both scans are compared: coarser than either's kernel and noise."""

TISSUE_SD_HU = 50.0
"""Fat, muscle, fluid and gas-free scar lie this far about soft tissue's mode (choice)."""

KERNELS_MM = (0.3, 0.45, 0.6, 0.75, 0.9, 1.1)
"""Further blurs that are tried on the sharper of both scans."""

STEEP_FRAC = 0.8
"""Share of the untouched bone's surroundings that is flatter than its borders."""

STEEP_BINS = 8
"""Classes of steepness in which differences are measured."""

LEAST_SD_HU = 4.0
"""No pair of scans agrees better."""

PRIOR_ODDS = 0.02
"""Odds, before looking, that a voxel of the arch was taken: a hundredth or two of a level's arch usually is."""

TELLING_SIGMAS = 3.0
"""The prior counts in full where an expected change is this many deviations of the noise."""

NEIGHBOURS_MM, NEIGHBOURS_SAY, ROUNDS = 1.2, 4.0, 16
"""Reach of the neighbours' say, its weight in log odds, and rounds until it has settled."""

GAINS = (0.8, 1.25)
"""Bone differs by less between tube voltages."""

LEAST_RIM = 100
"""Fewer voxels about untouched bone say nothing of how both scans differ."""

HALO_VOXELS = 2
"""How far beyond its last partly filled voxel bone's blur is gathered."""

CLIP_HU = (-150.0, 1600.0)
"""Gas and metal are drawn in to here."""


@dataclass(frozen=True, eq=False)
class BoneChange:
    """Bone of a level before and after, on the voxels of the scan before.

    Parameters
    ----------
    level_bone : of the case
    soft_hu : soft tissue's mode before
    difference_hu : averaged values after less before, after's brought to before's
    expected_hu : what that would be were all bone about a voxel taken
    sd_hu : what it is without any operation
    over_hu : by how much each place about bone that can be taken stood above soft tissue before
    psf_mm : standard deviation of the point spread of the scan before
    average_mm : (3,) array, standard deviation along each axis of what it was blurred by for the difference
    lost_frac : (nx, ny, nz) array, probability that bone was taken; 0 where there is none, or where it cannot be taken
    gained_frac : the same of bone that came, were the scans in the other order; 0 where metal's streaks feign it
    seen : does the scan after show the voxel?
    bone : which voxels were tested
    """

    level_bone: LevelBone
    soft_hu: float
    difference_hu: Field
    expected_hu: Field
    sd_hu: Field
    over_hu: Field
    psf_mm: float
    average_mm: Float
    lost_frac: Field
    gained_frac: Field
    seen: Mask
    bone: Mask


def bone_change_of(pair: ScanPair, level_bone: LevelBone) -> BoneChange:
    """Change of a level's bone between two scans."""
    grid = level_bone.grid
    before = np.clip(pair.before.voxels[level_bone.box].astype(np.float32), *CLIP_HU)
    after, seen = _after_on(pair, level_bone)
    model = bone_model(pair.before)
    metal, streaked = _metal_on(pair, level_bone)
    seen &= ~metal
    untouched = PROTECTED[level_bone.labels] & seen & (level_bone.bone_mm3 > 0)
    rim = ndimage.binary_dilation(untouched, iterations=2) & seen & ~takeable(level_bone)
    clear = rim & ~streaked
    # a level whose bodies lie in streaks altogether is compared by what these left
    after, before_mm, after_mm = _alike(before, after, clear if clear.sum() >= LEAST_RIM else rim, grid)
    blur = np.maximum(BLUR_MM / grid.spacing_mm, BLUR_VOXELS)
    smooth = np.asarray(ndimage.gaussian_filter(before, blur))
    difference = _blurred(
        _blurred(after, after_mm, grid) - _blurred(before, before_mm, grid), blur * grid.spacing_mm, grid
    )
    bone = takeable(level_bone) & seen & (level_bone.bone_mm3 > 0)
    expected = _blurred(_expected(before, level_bone, model, blur), before_mm, grid)
    steep = _steepness(smooth, grid)
    # the arch lies further from what is registered than the body does: its border may be off by the residual
    sd = np.hypot(_sd_by_streaks(difference, steep, rim, streaked), np.float32(pair.residual_mm) * steep)
    return BoneChange(
        level_bone, model.soft_hu, difference, expected, sd, _over(before, level_bone, model),
        point_spread_mm(pair.before, level_bone.box[2]), np.hypot(blur * grid.spacing_mm, before_mm),
        _probability(difference, expected, sd, bone, grid),
        _probability(-difference, expected, sd, bone & ~streaked, grid),
        seen, bone,
    )  # fmt: skip


def takeable(level_bone: LevelBone) -> Mask:
    """(nx, ny, nz) array: bone that an operation from behind may take."""
    mask: Mask = bone_mask(level_bone.labels) & ~PROTECTED[level_bone.labels]
    return mask


def _metal_on(pair: ScanPair, level_bone: LevelBone) -> tuple[Mask, Mask]:
    """(metal of the scan after and what an average carries of it, its streaks), (nx, ny, nz) arrays of the level."""
    metal, streaked = np.zeros(level_bone.grid.shape, dtype=bool), np.zeros(level_bone.grid.shape, dtype=bool)
    if pair.implants is None:
        return metal, streaked
    for motion in pair.motions.values():
        for into, of in ((metal, pair.implants.mask), (streaked, pair.implants.streaked)):
            read, inside = carried(of, pair.after.grid, level_bone.grid, motion)
            into |= inside & (read > 0)
    return np.asarray(ndimage.binary_dilation(metal, iterations=_reach_voxels(level_bone.grid))), streaked


def _reach_voxels(grid: Grid) -> int:
    """How many voxels an average reaches."""
    return int(np.ceil(REACH_SIGMAS * float(np.maximum(BLUR_MM / grid.spacing_mm, BLUR_VOXELS).max())))


def _after_on(pair: ScanPair, level_bone: LevelBone) -> tuple[Field, Mask]:
    """(values of the scan after on the level's voxels, does it show them?): bone goes with its own vertebra."""
    values = np.zeros(level_bone.grid.shape, dtype=np.float32)
    seen = np.zeros(level_bone.grid.shape, dtype=bool)
    lower = level_bone.labels // 100 == vertebra_number(pair.level.lower)
    for vertebra, mine in ((pair.level.upper, ~lower), (pair.level.lower, lower)):
        read, inside = carried(pair.after.voxels, pair.after.grid, level_bone.grid, pair.motions[vertebra])
        values[mine], seen[mine] = read[mine], inside[mine]
    # soft tissue beside the lower vertebra goes with it as well, so that no step lies along its border
    near = ndimage.binary_dilation(lower, iterations=2) & ~lower & (level_bone.labels < 100)
    read, inside = carried(pair.after.voxels, pair.after.grid, level_bone.grid, pair.motions[pair.level.lower])
    values[near], seen[near] = read[near], inside[near]
    # an average reaches past the end of a scan: what lies within its reach of one is not reported
    inner = np.asarray(ndimage.binary_erosion(seen, iterations=_reach_voxels(level_bone.grid), border_value=1))
    return np.clip(values, *CLIP_HU), inner


def carried(voxels: npt.NDArray[np.generic], grid: Grid, onto: Grid, motion: RigidMotion) -> tuple[Field, Mask]:
    """(values, is there any?): a scan read on another grid through a motion that leads from there into it.

    `voxels` (nx, ny, nz) on `grid`; both answers have the shape of `onto`, values in HU.
    """
    matrix = np.linalg.inv(grid.affine_ras_mm) @ motion.matrix_ras_mm @ onto.affine_ras_mm
    corners = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]) * (np.array(onto.shape) - 1)
    places = corners @ matrix[:3, :3].T + matrix[:3, 3]
    low = np.clip(np.floor(places.min(axis=0)) - 1, 0, np.array(grid.shape) - 2).astype(int)
    high = np.clip(np.ceil(places.max(axis=0)) + 2, low + 2, grid.shape).astype(int)
    part = voxels[low[0] : high[0], low[1] : high[1], low[2] : high[2]].astype(np.float32)
    offset = matrix[:3, 3] - low
    read = linear_box(part, matrix[:3, :3], offset, onto.shape)
    inside = linear_box(np.ones((2, 2, 2), np.float32), matrix[:3, :3] / (np.array(part.shape) - 1)[:, None],
                        offset / (np.array(part.shape) - 1), onto.shape) > 0.5  # fmt: skip
    return read, np.asarray(inside)


def _alike(before: Field, after: Field, rim: Mask, grid: Grid) -> tuple[Field, float, float]:
    """(values after brought to those before, blur before, blur after): by bone that no operation touches.

    The line between both is found anew once they are as sharp as each other: a sharper scan shows thin bone brighter.
    """
    wide = LINE_BLUR_MM / grid.spacing_mm
    kernels_mm = (0.0, 0.0)
    for _ in range(2):
        found = (_blurred(each, mm, grid) for each, mm in zip((after, before), kernels_mm[::-1], strict=True))
        gain, offset = _line(*(np.asarray(ndimage.gaussian_filter(each, wide))[rim] for each in found))
        line = gain * after + offset
        kernels_mm = _kernels_mm(before, line, rim, grid)
    return line, *kernels_mm


def _line(after: Field, before: Field) -> tuple[float, float]:
    """Gain and offset that bring values after to those before, noise in both (the line of the principal axis)."""
    if len(after) < LEAST_RIM:
        raise UnusableInput("the scan after", "must show the bodies of the level", got=f"{len(after)} voxels of them",
                            do="Give a scan that holds the whole level.")  # fmt: skip
    mean_a, mean_b = float(after.mean()), float(before.mean())
    gain = float(np.std(before) / max(float(np.std(after)), 1e-6))
    gain = float(np.clip(gain, *GAINS))
    return gain, mean_b - gain * mean_a


def _kernels_mm(before: Field, after: Field, rim: Mask, grid: Grid) -> tuple[float, float]:
    """Blur of the scan before and of that after at which both have the same sharpness; one of them is 0.

    Found from the borders of bone that no operation touches: there the difference, averaged, is least.
    """
    blur_mm = np.maximum(BLUR_MM, BLUR_VOXELS * grid.spacing_mm)
    steep = _steepness(_blurred(before, blur_mm, grid), grid)
    borders = rim & (steep >= np.quantile(steep[rim], STEEP_FRAC))
    tried = [(0.0, 0.0), *((mm, 0.0) for mm in KERNELS_MM), *((0.0, mm) for mm in KERNELS_MM)]

    def apart(kernels_mm: tuple[float, float]) -> float:
        change = _blurred(after, kernels_mm[1], grid) - _blurred(before, kernels_mm[0], grid)
        return float(np.median(np.abs(_blurred(change, blur_mm, grid)[borders])))

    return min(tried, key=apart)


def _blurred(field: Field, sigma_mm: npt.ArrayLike, grid: Grid) -> Field:
    """A field under a Gaussian of some mm; itself for none."""
    if not np.any(sigma_mm):
        return field
    return np.asarray(ndimage.gaussian_filter(field, np.asarray(sigma_mm) / grid.spacing_mm))


def _expected(before: Field, level_bone: LevelBone, model: BoneModel, blur: npt.NDArray[np.float64]) -> Field:
    """Averaged change were all of the takeable bone about a voxel replaced by soft tissue."""
    frac = np.clip(level_bone.bone_mm3 / np.float32(level_bone.grid.voxel_mm3), 0, 1)
    frac = np.where(takeable(level_bone), frac, 0)
    change = np.where(frac > 0, np.float32(model.soft_hu) - before, 0)
    return np.asarray(ndimage.gaussian_filter(np.minimum(change, 0).astype(np.float32), blur))


def _over(before: Field, level_bone: LevelBone, model: BoneModel) -> Field:
    """HU by which bone that can be taken, and the blur about it, stand above soft tissue; 0 elsewhere."""
    there = level_bone.bone_mm3 > 0
    about = ndimage.binary_dilation(takeable(level_bone) & there, iterations=HALO_VOXELS)
    about &= ~(PROTECTED[level_bone.labels] & there)
    return np.where(about, np.maximum(before - np.float32(model.soft_hu), 0), 0).astype(np.float32)


def _steepness(smooth: Field, grid: Grid) -> Field:
    """HU per mm."""
    steps = [np.gradient(smooth, float(s), axis=n) for n, s in enumerate(grid.spacing_mm)]
    return np.asarray(np.sqrt(sum(step**2 for step in steps)), dtype=np.float32)


def _sd_by_streaks(difference: Field, steepness: Field, rim: Mask, streaked: Mask) -> Field:
    """What the difference is without an operation, found apart where metal's streaks run."""
    outside, inside = rim & ~streaked, rim & streaked
    if outside.sum() < LEAST_RIM or inside.sum() < LEAST_RIM:
        return _measured_sd(difference, steepness, rim)
    return np.where(streaked, _measured_sd(difference, steepness, inside), _measured_sd(difference, steepness, outside))


def _measured_sd(difference: Field, steepness: Field, rim: Mask) -> Field:
    """What the difference is without an operation, by how steep the image is there."""
    steep, apart = steepness[rim], difference[rim]
    edges = np.unique(np.quantile(steep, np.linspace(0, 1, STEEP_BINS + 1)))
    which = np.clip(np.searchsorted(edges, steep, side="right") - 1, 0, len(edges) - 2)
    middles, found = [], []
    for n in range(len(edges) - 1):
        mine = apart[which == n]
        if len(mine) >= 30:
            middles.append(float(steep[which == n].mean()))
            # about 0, not about the mean: a common shift is an error as well
            found.append(1.4826 * float(np.median(np.abs(mine))))
    rising = np.maximum.accumulate(found)
    return np.maximum(np.interp(steepness, middles, rising), LEAST_SD_HU).astype(np.float32)


def _probability(difference: Field, expected: Field, sd: Field, bone: Mask, grid: Grid) -> Field:
    """Probability of each voxel of bone that it was taken."""
    taken_sd = np.sqrt(sd**2 + TISSUE_SD_HU**2)
    # an expected change smaller than the noise says nothing for or against
    odds = 0.5 * ((difference / sd) ** 2 - ((difference - expected) / taken_sd) ** 2) - np.log(taken_sd / sd)
    # denser than before is no sign of taking; darker than soft tissue, as fat or gas, is none of staying
    odds = np.where(difference >= 0, np.minimum(odds, 0), odds)
    odds = np.where(difference < expected, np.maximum(odds, 0.5 * (expected / sd) ** 2), odds)
    # marrow hardly denser than soft tissue tells nothing itself: there the bone about it decides, not the prior
    telling = np.clip(-expected / (TELLING_SIGMAS * sd), 0, 1)
    odds = np.where(bone, np.clip(odds, -20, 20) + telling * np.log(PRIOR_ODDS), 0).astype(np.float32)
    reach = NEIGHBOURS_MM / grid.spacing_mm
    weight = np.maximum(ndimage.gaussian_filter(bone.astype(np.float32), reach), 1e-3)
    frac = np.where(bone, special.expit(odds), 0).astype(np.float32)
    for _ in range(ROUNDS):
        say = ndimage.gaussian_filter(np.where(bone, 2 * frac - 1, 0).astype(np.float32), reach) / weight
        frac = np.where(bone, special.expit(odds + np.float32(NEIGHBOURS_SAY) * say), 0).astype(np.float32)
    return frac
