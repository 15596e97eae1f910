"""A facet joint as the CT shows it: the dark line between two bright faces, at sub-voxel accuracy.

At the voxel size of many scans both processes touch in a label map. The image still holds the joint: across it the
values fall from the bone of one face and rise to that of the other. The line's depth and width together tell the gap,
for blur spreads what is missing of the bright bone but does not change how much it is.

Method:

1. The image about the joint is scaled to 0 (soft tissue) and 1 (bone of the faces) and read by a cubic spline.
2. Profiles are sampled straight across the sheet that the labels give, on a lattice over it, and blurred along it:
   noise falls, the line stays.
3. A place's *dip* is how far it lies under the lower of the highest places before and after it (a valley between two
   crests: a ridge detector in one dimension). On each profile the deepest dip within a capture range is taken.
4. The sheet is fitted again through those places, with a capture range that shrinks from round to round, from several
   starts, for labels may cut a joint askew. The one with the greatest sum of dips, weighed by its nearness to the
   labels' border, is kept.
5. Gap: what is missing of bone between the crests, over their height. A blur that sums to 1 moves it about but leaves
   it as much, so gaps narrower than the blur are read too (`tests/recon/level/test_joint_space.py`).
6. The joint is the largest connected patch of profiles with bone on both sides, cut where it is narrow or gapes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from canalwise.recon.bone.occupancy import SOFT_RANGE_HU
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import cubic_at
from canalwise.recon.labels import Mask
from canalwise.recon.level.joint_midsurface import JointMidsurface, refitted
from canalwise.recon.level.resampled_level import ResampledLevel
from canalwise.recon.scan import Scan

LEAST_CONTRAST_HU, BONE_PERCENTILE = 150.0, 75.0
"""Of the voxels this much brighter than soft tissue, this percentile stands for the bone of the faces."""

LATTICE_MM = 0.5
"""Distance of the lines across the joint, along its sheet."""

COARSE_MM = 1.0
"""The same while the line is sought."""

REACH_MM, ACROSS_STEP_MM = 5.0, 0.25
"""How far across the joint is looked, and the step."""

BLUR_MM = 0.8
"""Standard deviation of the mean along the sheet: noise goes, the dark line stays."""

CREST_MM = 3.0
"""A face's bone rises within this of the dark line (half of the widest gap and the face's own bone)."""

CAPTURE_MM = (3.0, 2.0, 1.5, 1.0)
"""How far from the sheet the dark line is sought, round by round."""

STRAY_COST = 0.15
"""Dip that a line at the end of the capture range must have more than one on the sheet."""

LEAST_DIP = 0.1
"""A fall by less than this share of the bone's contrast is no line."""

FEWEST_LINES = 40
"""Fewer lines that show the joint settle no sheet (40 mm2 at COARSE_MM)."""

STARTS_DEG = (20.0, 40.0, 60.0)
"""Angles from the sagittal plane of other starts: labels may cut a joint askew. Mean patients have 20..60 deg
(docs/published-values.md#facets)."""

USUAL_BEND_PER_MM = 0.03
"""Bend of those starts, height per mm^2: an arc of 17 mm radius, hollow on the lower vertebra's side (choice)."""

MARGIN_MM = 3.0
"""How far beyond the known extent of a joint its line is followed."""

POLISHES = 2
"""Rounds in which the joint as seen replaces the joint as labelled."""

ASTRAY_MM = 3.0
"""A sheet this far from the labels' border is e times less likely."""

USUAL_GAP_MM = 2.0
"""Joints are seldom wider: what lies further apart speaks for a joint the less (choice)."""

NECK_MM = 4.0
"""A patch of the joint's lines is cut where it is narrower: half the least width of a facet (choice)."""

NEAR_MM = 1.0
"""A dark line within this of the smooth sheet speaks for it."""

RIM_WIDENING, RIM_SLACK_MM = 1.5, 0.4
"""Where the gap exceeds its median by this factor, and by this much, the rims turn away from each other: no joint."""

BOTH_SIDES_FRAC = 0.55
"""A line belongs to the joint where the bone on each side keeps this share of that face's median contrast."""


Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class JointImage:
    """The CT about a joint, ready to be read at any level point.

    Parameters
    ----------
    coefficients : (nx, ny, nz) float32 array, cubic spline of the HU
    grid : of the array
    view : whose frame the points are in
    soft_hu, bone_hu : local values of soft tissue and of the joint's bone
    """

    coefficients: npt.NDArray[np.float32]
    grid: Grid
    view: ResampledLevel
    soft_hu: float
    bone_hu: float

    def share_at(self, level_mm: Float) -> Float:
        """(...,) array at (..., 3) level points: 0 soft tissue, 1 bone of the joint's faces."""
        value = cubic_at(self.coefficients, self.grid.index_of(self.view.frame.to_world_mm(level_mm)))
        return np.asarray((value - self.soft_hu) / (self.bone_hu - self.soft_hu), dtype=float)


@dataclass(frozen=True, eq=False)
class SeenJoint:
    """A joint read in the image: (N, 3) midway points and unit normals in level mm, (N,) gaps (mm), areas (mm2)."""

    middle_mm: Float
    normals: Float
    gap_mm: Float
    area_mm2: Float


@dataclass(frozen=True, eq=False)
class _Lines:
    """Profiles straight across a sheet, on a lattice over it: points, normals, stretch and (.., .., steps) shares."""

    points_mm: Float
    normals: Float
    stretch: Float
    share: Float


def _steps_mm() -> Float:
    return np.arange(-REACH_MM, REACH_MM + ACROSS_STEP_MM / 2, ACROSS_STEP_MM)


def image_about(scan: Scan, view: ResampledLevel) -> JointImage:
    """The part of a CT that a local view spans, with the values of soft tissue and bone about it."""
    corners = np.array(np.meshgrid(*[(0, n - 1) for n in view.labels.shape])).reshape(3, -1).T
    box = scan.grid.box_around(view.frame.to_world_mm(view.low_mm + corners * view.step_mm), 3.0)
    values = np.asarray(scan.voxels[box], dtype=np.float32)
    low, high = SOFT_RANGE_HU
    soft = values[(values > low) & (values < high)]
    soft_hu = float(np.median(soft)) if soft.size else low
    bone = values[values > soft_hu + LEAST_CONTRAST_HU]
    bone_hu = float(np.percentile(bone, BONE_PERCENTILE)) if bone.size else soft_hu + LEAST_CONTRAST_HU
    spline = np.asarray(ndimage.spline_filter(values, order=3, output=np.float32), dtype=np.float32)
    return JointImage(spline, scan.grid.cropped(box), view, soft_hu, bone_hu)


def seen_joint(image: JointImage, sheet: JointMidsurface, points_mm: Float) -> SeenJoint | None:
    """The joint along the dark line nearest to a sheet; None where the image shows none.

    Parameters
    ----------
    sheet : midway between the bones as the labels have them
    points_mm : (N, 3) midway points, whose extent bounds the search
    """
    # The line nearest to the labels' border need not be the joint's: several starts, and the best line of all.
    tried = [_on_the_line(image, start, points_mm) for start in (sheet, *_upright(points_mm))]
    found, best = max(tried, key=lambda pair: pair[1] * _likelihood(pair[0], points_mm))
    seen = None if found is None else _read(image, found, points_mm)
    for _ in range(POLISHES):
        if found is None or seen is None:
            break
        # What is seen of the joint, not what the labels have of it, says how far it may reach.
        again = refitted(found, seen.middle_mm, seen.area_mm2)
        again_found, score = _on_the_line(image, again, seen.middle_mm, CAPTURE_MM[2:])
        if again_found is None or score < best:
            break
        found, best, seen = again_found, score, _read(image, again_found, seen.middle_mm)
    return seen


def _likelihood(sheet: JointMidsurface | None, points_mm: Float) -> float:
    """Say of where the labels have the joint: it falls with a sheet's median distance from their midway points."""
    return 0.0 if sheet is None else float(np.exp(-np.median(np.abs(sheet.height_mm(points_mm))) / ASTRAY_MM))


def _upright(points_mm: Float) -> list[JointMidsurface]:
    """Sheets of a usual joint's shape through the middle of (N, 3) points, at the angles of STARTS_DEG."""
    middle, lateral = np.median(points_mm, axis=0), float(np.sign(points_mm[:, 0].mean()))
    bent = np.array([0.0, 0, 0, -USUAL_BEND_PER_MM, 0, 0])
    sheets = []
    for angle in np.radians(STARTS_DEG):
        normal = np.array([lateral * np.cos(angle), -np.sin(angle), 0.0])
        axes = np.stack([np.cross([0.0, 0.0, 1.0], normal), [0.0, 0.0, 1.0], normal])
        sheets.append(JointMidsurface(middle, axes, bent))
    return sheets


def _lines(image: JointImage, sheet: JointMidsurface, points_mm: Float, step_mm: float) -> _Lines:
    spans = []
    for along in sheet.flat_mm(points_mm)[:2]:
        # a few strays of the labels do not stretch the lattice
        low, high = np.percentile(along, (2, 98))
        spans.append(np.arange(low - MARGIN_MM, high + MARGIN_MM + step_mm, step_mm, dtype=np.float64))
    points, normals, stretch = sheet.over(*np.meshgrid(*spans, indexing="ij"))
    share = image.share_at(points[:, :, None] + _steps_mm()[:, None] * normals[:, :, None])
    # along the sheet only: across it a blur would fill the gap that is to be read
    blurred = ndimage.gaussian_filter(share, (BLUR_MM / step_mm, BLUR_MM / step_mm, 0), mode="nearest")
    return _Lines(points, normals, stretch, blurred)


def _crests(share: Float) -> tuple[Float, Float]:
    """(same shape) arrays: highest share within CREST_MM before and after each step."""
    reach = round(CREST_MM / ACROSS_STEP_MM)
    # moves the window wholly to one side of each step: a crest must stand before the line, and another after
    shift = reach // 2
    before = ndimage.maximum_filter1d(share, reach + 1, axis=-1, origin=shift, mode="nearest")
    after = ndimage.maximum_filter1d(share[..., ::-1], reach + 1, axis=-1, origin=shift, mode="nearest")[..., ::-1]
    return np.asarray(before), np.asarray(after)


def _dips(share: Float) -> Float:
    """(same shape) array: how far each step lies under the lower of the crests beside it; 0 where there is no bone."""
    before, after = _crests(share)
    crest = np.minimum(before, after)
    # a crest of very dense cortex alone makes no deeper line
    return np.where(crest >= BOTH_SIDES_FRAC, np.minimum(crest, 1.5) - share, 0.0)


def _on_the_line(
    image: JointImage, sheet: JointMidsurface, points_mm: Float, captures_mm: tuple[float, ...] = CAPTURE_MM
) -> tuple[JointMidsurface | None, float]:
    """The sheet moved onto the dark line, and the sum of the dips along it (0: none found)."""
    total = 0.0
    for capture_mm in captures_mm:
        lines = _lines(image, sheet, points_mm, COARSE_MM)
        index, dip = _darkest(lines.share, capture_mm)
        kept = dip > LEAST_DIP
        if kept.sum() < FEWEST_LINES:
            return None, 0.0
        gap, centre = (value[kept] for value in _gaps_mm(lines.share, index))
        valley = lines.points_mm[kept] + centre[:, None] * lines.normals[kept]
        # A joint is a slit of even width: the marrow of a process is a wider hollow.
        wide = np.maximum(gap - np.median(gap), 0.0) / RIM_SLACK_MM + np.maximum(gap - USUAL_GAP_MM, 0.0)
        # a deep line counts no more than a whole one, or the densest spots would place the sheet
        weights = np.minimum(dip[kept], 1.0) * np.exp(-wide)
        sheet = refitted(sheet, valley, weights)
        total = float(weights[np.abs(sheet.height_mm(valley)) < NEAR_MM].sum())
    return sheet, total


def _darkest(share: Float, capture_mm: float) -> tuple[Indices, Float]:
    """Index of the deepest dip within the capture range on each line, and its depth."""
    steps = _steps_mm()
    dips = _dips(share)
    # of two lines alike the one nearer to the sheet: further out may lie the marrow of a process
    score = dips - STRAY_COST * (steps / capture_mm) ** 2
    score[..., np.abs(steps) > capture_mm] = -np.inf
    index = score.argmax(axis=-1)
    return index, np.take_along_axis(dips, index[..., None], -1)[..., 0]


def _gaps_mm(share: Float, index: Indices) -> tuple[Float, Float]:
    """(gap, its middle) of each line in mm, the middle past the sheet: what is missing of bone between the crests.

    The crests count as whole bone, with what lies between them on the straight line from one to the other.
    """
    steps, number = _steps_mm(), np.arange(share.shape[-1])
    reach = round(CREST_MM / ACROSS_STEP_MM)
    off = number - index[..., None]
    sides = [np.where((off * sign >= 0) & (off * sign <= reach), share, -np.inf) for sign in (-1, 1)]
    # Of equal crests the one nearer to the line: further out lies the same bone, or another.
    start = share.shape[-1] - 1 - sides[0][..., ::-1].argmax(axis=-1)
    end = sides[1].argmax(axis=-1)
    low, high = (np.take_along_axis(share, at[..., None], -1) for at in (start, end))
    part = np.clip((number - start[..., None]) / np.maximum(end - start, 1)[..., None], 0.0, 1.0)
    whole = np.maximum(low + part * (high - low), LEAST_DIP)
    missing = np.clip(1 - share / whole, 0.0, 1.0)
    missing[(number < start[..., None]) | (number > end[..., None])] = 0.0
    total = missing.sum(axis=-1)
    middle = (missing * steps).sum(axis=-1) / np.maximum(total, 1e-9)
    return total * ACROSS_STEP_MM, np.where(total > 0, middle, steps[index])


def _read(image: JointImage, sheet: JointMidsurface, points_mm: Float) -> SeenJoint | None:
    """The joint along a sheet that lies on its dark line: the largest patch of lines with bone on both sides."""
    lines = _lines(image, sheet, points_mm, LATTICE_MM)
    index, dip = _darkest(lines.share, CAPTURE_MM[-1])
    dark = dip > LEAST_DIP
    if dark.sum() * LATTICE_MM**2 < FEWEST_LINES * COARSE_MM**2:
        return None
    crests = [np.take_along_axis(crest, index[..., None], -1)[..., 0] for crest in _crests(lines.share)]
    # At a rim one of the faces ends: its crest falls, and with it the joint.
    both = [crest >= BOTH_SIDES_FRAC * np.median(crest[dark]) for crest in crests]
    gap, middle = _gaps_mm(lines.share, index)
    patch = _largest(dark & both[0] & both[1] & (gap <= widest_mm(float(np.median(gap[dark])))))
    # The sheet sought its line among strays; the patch has none, so its own fit tells the normals.
    points = (lines.points_mm + middle[..., None] * lines.normals)[patch]
    normals = refitted(sheet, points, lines.stretch[patch]).at(points)
    return SeenJoint(points, normals, gap[patch], lines.stretch[patch] * LATTICE_MM**2)


def widest_mm(median_mm: float) -> float:
    """Gap from which a joint of this median gap has ended: its rims turn away from each other.

    >>> widest_mm(2.0), round(widest_mm(0.1), 3)
    (3.0, 0.5)
    """
    return max(RIM_WIDENING * median_mm, median_mm + RIM_SLACK_MM)


def _largest(lines: Mask) -> Mask:
    """The largest piece of a patch of lines, cut at its narrow necks and its holes filled.

    A joint may be unresolved here and there; what hangs on it by a neck under NECK_MM is another hollow.
    """
    steps = round(NECK_MM / 2 / LATTICE_MM)
    i, j = np.mgrid[-steps : steps + 1, -steps : steps + 1]
    whole = ndimage.binary_fill_holes(lines)
    pieces, count = ndimage.label(ndimage.binary_opening(whole, np.hypot(i, j) <= steps + 0.3))
    if not count:
        return lines
    sizes = np.bincount(np.asarray(pieces).ravel())[1:]
    return np.asarray(ndimage.binary_dilation(np.asarray(pieces) == 1 + sizes.argmax(), iterations=steps, mask=whole))
