"""One vertebra of a scan registered to another scan: a rigid motion, how well it is known, and whether it failed.

1. A few starts are walked downhill on lattices of FIRST_MM and COARSE_MM; the best goes on to one of FINE_MM.
2. Every place of the lattice inside the mask counts: nothing is drawn at random, and one thread sums in one order, so
   the same scans give the same bytes.
3. CT against CT is compared by correlation, CT against MR by mutual information (Mattes et al., IEEE Trans Med Imaging
   2003;22:120, from memory), which asks only that tissues that look alike in one scan look alike in the other.
4. The motion's uncertainty is found from three measures: how far the inverse registration misses the start, how far
   apart further starts end that fit as well, and how well the scans fit at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk  # noqa: N813
from scipy import ndimage

from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.sampling import linear_box, nearest_box
from canalwise.recon.labels import Labels, Mask
from canalwise.recon.registration.itk_images import itk_image, itk_motion, motion_of
from canalwise.recon.registration.masks import bone_about_mm, unoperated_mask, untouched_mask
from canalwise.recon.registration.rigid_motion import RigidMotion
from canalwise.recon.scan import Scan
from canalwise.recon.severity_bands import Threshold

Likeness = Literal["correlation", "mutual information"]

FIRST_MM, COARSE_MM, FINE_MM = 4.0, 2.0, 1.0
"""Edges of the lattices, one walk after the other (scripts/accuracy_audit.py)."""

AROUND_MM = 14.0
"""How much of the moving scan about the vertebra is looked at: further no start is off."""

BINS = 24
"""Of the joint histogram: more split tissues that are one (scripts/accuracy_audit.py)."""

LED_ON = 2
"""So many of the starts that fit best on the first lattice are led on to the next."""

NUDGES: tuple[tuple[float, ...], ...] = (
    (2.0, 2.0, 2.0, 3.0, -3.0, 3.0),
    (-2.0, -2.0, 2.0, -3.0, 3.0, 3.0),
    (2.0, -2.0, -2.0, 3.0, 3.0, -3.0),
    (-2.0, 2.0, -2.0, -3.0, -3.0, -3.0),
)
"""Further starts about the best one: shifts in mm and turns in degrees."""

SAME_MM = 1.0
"""Two starts that end nearer than this to each other agree."""

LARGEST_RESIDUAL = Threshold(
    "largest residual of a registration", 2.0, "mm", "design: a level beyond it is refused", "PRACTICE"
)
LEAST_CORRELATION = Threshold(
    "least correlation of a vertebra with itself in another CT", 0.80, "fraction",
    "made-up pairs and a real crop (scripts/accuracy_audit.py)", "CALC",
)  # fmt: skip
LEAST_AGREEING = Threshold("starts that must agree, of five", 3, "starts", "choice", "PRACTICE")


@dataclass(frozen=True, eq=False)
class VertebraRegistration:
    """Where one vertebra lies in another scan.

    Parameters
    ----------
    vertebra : its name in the fixed scan
    motion : fixed scan -> moving scan
    likeness : by what both scans were compared
    fit : correlation -1..1, or mutual information in nats
    inverse_mm : mean over the vertebra by which there and back again misses
    spread_mm : root mean square over the starts that agree, of how far from the best they end
    agreeing, starts : how many of the starts end within SAME_MM of the best
    problem : why it cannot be used, a sentence; empty where it can
    """

    vertebra: str
    motion: RigidMotion
    likeness: Likeness
    fit: float
    inverse_mm: float
    spread_mm: float
    agreeing: int
    starts: int
    problem: str = ""

    @property
    def residual_mm(self) -> float:
        """What is known of the error: the larger of both measures."""
        return max(self.inverse_mm, self.spread_mm)


@dataclass(frozen=True, eq=False)
class _Piece:
    """What is compared of a scan: on one lattice of the fixed one, of the moving one as it is; all without a mask."""

    image: sitk.Image
    mask: sitk.Image | None


def registered(
    fixed: Scan, labels: Labels, moving: Scan, vertebra: str, starts: Sequence[RigidMotion], *,
    likeness: Likeness = "correlation", hidden: Mask | None = None,
) -> VertebraRegistration | None:  # fmt: skip
    """A vertebra of a fixed scan in a moving one, from rough motions; None where its body is not in view.

    Parameters
    ----------
    labels : of the fixed scan, on its grid
    starts : at least one motion, fixed scan -> moving scan
    hidden : array on the moving scan's grid, what is not compared: metal and its streaks
    """
    by = untouched_mask if likeness == "correlation" else unoperated_mask
    found = by(labels, fixed.grid, vertebra)
    if found is None:
        return None
    mask, box = found
    part = fixed.cropped(box)
    centre = part.grid.world_mm(np.argwhere(mask)).mean(axis=0)
    there = _Pair(part, mask, moving, centre, likeness, hidden)
    best = there.best(starts)
    again = [there.led(_nudged(best, centre, nudge))[0] for nudge in NUDGES]
    motion, value = there.walked(best, FINE_MM)
    places = bone_about_mm(labels, fixed.grid, vertebra)
    apart = np.array([float(other.apart_mm(best, places).mean()) for other in again])
    close = apart[apart <= SAME_MM]
    back = there.back(motion)
    inverse_mm = float(np.linalg.norm(back.moved_mm(motion.moved_mm(places)) - places, axis=1).mean())
    spread_mm = float(np.sqrt(np.mean(close**2))) if len(close) else float("inf")
    whole = VertebraRegistration(
        vertebra, motion, likeness, _fit(value, likeness), inverse_mm, spread_mm, len(close) + 1, len(NUDGES) + 1
    )
    return replace(whole, problem=_problem(whole))


def _fit(value: float, likeness: Likeness) -> float:
    """Correlation, of which the optimiser's metric is the negative square, or mutual information."""
    return float(np.sqrt(max(-value, 0.0))) if likeness == "correlation" else -value


def _problem(found: VertebraRegistration) -> str:
    """Why a registration cannot be used; empty where it can."""
    if found.likeness == "correlation" and found.fit < LEAST_CORRELATION.value:
        return f"both scans agree too little there (correlation {found.fit:.2f}, {LEAST_CORRELATION.value:.2f} needed)"
    if found.agreeing < LEAST_AGREEING.value:
        return f"only {found.agreeing} of {found.starts} starts end in the same place"
    if found.residual_mm > LARGEST_RESIDUAL.value:
        return f"there and back again misses by {found.residual_mm:.1f} mm ({LARGEST_RESIDUAL.value:.0f} mm allowed)"
    return ""


def _nudged(motion: RigidMotion, centre: Float, nudge: Sequence[float]) -> RigidMotion:
    """A motion with a further shift and turn about the vertebra's middle."""
    shift, (x, y, z) = np.array(nudge[:3]), np.radians(nudge[3:])
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    # Cayley's form of a small turn is right-angled to the last digit.
    turn = np.linalg.solve(np.eye(3) - cross / 2, np.eye(3) + cross / 2)
    return RigidMotion.about(centre, turn, shift).then(motion)


@dataclass(frozen=True, eq=False)
class _Pair:
    """A piece of the fixed scan, and the moving scan it is looked for in, but for what is hidden there."""

    part: Scan
    mask: Mask
    moving: Scan
    centre: Float
    likeness: Likeness
    hidden: Mask | None = None

    def best(self, starts: Sequence[RigidMotion]) -> RigidMotion:
        """Where the starts lead that fit best on the coarse lattice."""
        first = sorted((self.walked(start, FIRST_MM) for start in starts), key=lambda end: end[1])
        return min((self.walked(end, COARSE_MM) for end, _ in first[:LED_ON]), key=lambda end: end[1])[0]

    def led(self, start: RigidMotion) -> tuple[RigidMotion, float]:
        """Where a rough start leads on the two coarser lattices."""
        return self.walked(self.walked(start, FIRST_MM)[0], COARSE_MM)

    def walked(self, start: RigidMotion, step_mm: float) -> tuple[RigidMotion, float]:
        """(where a start leads, the metric there: the less the better)."""
        piece = _piece(self.part, self.mask, step_mm)
        points = self.part.grid.world_mm(np.argwhere(self.mask))
        box = self.moving.grid.box_around(start.moved_mm(points), AROUND_MM)
        if min(s.stop - s.start for s in box) < 4:
            return start, 0.0
        moving = self.moving.cropped(box)
        there = itk_image(_blurred(moving, step_mm), moving.grid)
        shown = None if self.hidden is None else itk_image(~self.hidden[box], moving.grid)
        return _walked(piece, _Piece(there, shown), (start, self.centre), self.likeness)

    def back(self, motion: RigidMotion) -> RigidMotion:
        """The inverse registration: both scans in each other's roles, started from the inverse motion."""
        points = self.part.grid.world_mm(np.argwhere(self.mask))
        box = self.moving.grid.box_around(motion.moved_mm(points), 4.0)
        part = self.moving.cropped(box)
        to_index = (
            np.linalg.inv(self.part.grid.affine_ras_mm) @ motion.inverse().matrix_ras_mm @ part.grid.affine_ras_mm
        )
        mask = nearest_box(self.mask.astype(np.uint8), to_index[:3, :3], to_index[:3, 3], part.grid.shape) > 0
        if self.hidden is not None:
            mask &= ~self.hidden[box]
        if mask.sum() < 64:
            return motion.inverse()
        home = _Pair(part, mask, self.part, motion.moved_mm(self.centre), self.likeness)
        return home.walked(motion.inverse(), FINE_MM)[0]


def _piece(part: Scan, mask: Mask, step_mm: float) -> _Piece:
    """Values and mask on a lattice of a step along the scan's own axes; the scan's own voxels where they are larger."""
    step = np.maximum(step_mm, part.grid.spacing_mm)
    ratio = step / part.grid.spacing_mm
    shape = np.floor((np.array(part.grid.shape) - 1) / ratio).astype(int) + 1
    i, j, k = (max(int(n), 2) for n in shape)
    affine = part.grid.affine_ras_mm.copy()
    affine[:3, :3] *= ratio
    grid = Grid((i, j, k), affine)
    values = linear_box(_blurred(part, step_mm), np.diag(ratio), np.zeros(3), grid.shape)
    inside = nearest_box(mask.astype(np.uint8), np.diag(ratio), np.zeros(3), grid.shape) > 0
    return _Piece(itk_image(values, grid), itk_image(inside, grid))


def _blurred(scan: Scan, step_mm: float) -> npt.NDArray[np.float32]:
    """The scan blurred by half a step: against noise, and so that the lattice misses nothing."""
    values = scan.voxels.astype(np.float32)
    if scan.kind.calibrated:
        # metal and gas must not outweigh bone
        values = np.clip(values, -200.0, 1500.0)
    return np.asarray(ndimage.gaussian_filter(values, 0.5 * step_mm / scan.grid.spacing_mm, mode="nearest"))


def _walked(
    fixed: _Piece, moving: _Piece, start: tuple[RigidMotion, Float], likeness: Likeness
) -> tuple[RigidMotion, float]:
    sitk.ProcessObject.SetGlobalWarningDisplay(False)  # a start that leads nowhere is no news for a person
    method = sitk.ImageRegistrationMethod()
    method.SetNumberOfThreads(1)
    if likeness == "correlation":
        method.SetMetricAsCorrelation()
    else:
        method.SetMetricAsMattesMutualInformation(BINS)
    method.SetMetricFixedMask(fixed.mask)
    if moving.mask is not None:
        method.SetMetricMovingMask(moving.mask)
    method.SetMetricSamplingStrategy(method.NONE)
    method.SetInterpolator(sitk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 0.002, 120, 0.6)
    method.SetOptimizerScalesFromPhysicalShift()
    motion, centre = start
    transform = itk_motion(motion, centre)
    method.SetInitialTransform(transform, inPlace=True)
    try:
        method.Execute(fixed.image, moving.image)
        return motion_of(transform, centre), float(method.GetMetricValue())
    except RuntimeError:  # the walk led out of the moving scan: no fit at all
        return motion, 0.0
