"""One working volume from the stacks of an MR examination: sagittal and axial slices put together.

A sagittal stack is fine from back to front and from head to foot and coarse from side to side; an axial one is coarse
from head to foot. Together they are fine every way, where both show the place.

Method:

1. The reference is the T2 stack that shows most of the spine's length; its axes become those of the working volume.
2. Every other stack of the same weighting that lies where the reference lies is brought onto those voxels, moved by the
   shift at which both agree best (what a patient moves between two series), and its brightness fitted to the
   reference's by a straight line, slab by slab along the spine, for coils differ.
3. A slice of thickness t passes a wave of k cycles per mm across it with weight exp(-(pi k s)^2 2), s the deviation
   that belongs to t. What a stack adds to the reference is the difference, each wave of it weighed by the added stack's
   share of both stacks' squared weights (a Wiener-like mean with equal noise); it fades to nothing at its rim.
4. What is of another weighting, another part, or does not agree is left out, and that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from canalwise.recon.errors import BadFile, BadGeometry, UnusableInput, WrongUse
from canalwise.recon.examination.working_volume import acquired_words, on_grid, working_grid
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.volume import BUDGET_MB, canonical, right_angled
from canalwise.recon.intake.checks import (
    check_finite,
    check_magnitude,
    check_not_empty,
    check_not_label_map,
    check_size,
    mr_thickness_warnings,
)
from canalwise.recon.intake.reader import is_dicom, read_scan, read_volume, scan_of
from canalwise.recon.memory_budget import check_memory
from canalwise.recon.modality import MODALITIES, ModalityName
from canalwise.recon.scan import ACQUIRED, ACROSS, Scan

if TYPE_CHECKING:
    from canalwise.recon.dicom.reader import ExaminationStack

T2_ECHO_MS, T1_REPETITION_MS = 60.0, 1200.0
"""Echoes later than the first make T2, repetitions faster than the second T1 (common practice, no source)."""

LEAST_SHARED_FRAC = 0.03
"""A stack that shares less than this of the reference's space adds nothing (choice)."""

LEAST_AGREEMENT = 0.5
"""Correlation, where both show the place, below which another contrast or another patient is looked at (choice)."""

MOST_SHIFT_MM, SHIFT_STEP_MM = 4.0, 1.6
"""A patient who moved further between two series is reported; the shift is sought this finely at first (choice)."""

FADE_MM = 3.0
"""Over this distance from its rim a stack's part fades in."""

SLAB_MM = 40.0
"""Brightness is fitted anew over this length of the spine."""

FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))

Image = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Stack:
    """A stack that has passed the door, its words, and what is known of its sequence."""

    scan: Scan
    said: str
    place: str = ""
    weighting: str = ""

    @property
    def across(self) -> int:
        """The axis its slices lie across: the longest voxel edge."""
        return int(np.argmax(self.scan.grid.spacing_mm))


def read_examination(
    paths: Sequence[str | Path],
    *,
    modality: ModalityName | None = None,
    accept_thick: bool = False,
    accept_tilt: bool = False,
    series: int | None = None,
    budget_mb: float = BUDGET_MB,
) -> Scan:
    """The scan at some paths: one scan as `read_scan` reads it, or the stacks of an MR examination put together.

    Parameters
    ----------
    paths : one file or folder, or several that each hold a stack of one MR examination
    series : reads one series of a folder that holds several

    Raises
    ------
    WrongUse : several paths that are not all MR
    UnusableInput : BadFile, BadGeometry or the base class; says what is wrong and what to do
    """
    files = [Path(path) for path in paths]
    if len(files) == 1 and (series is not None or not is_dicom(files[0])):
        return read_scan(
            files[0],
            modality=modality,
            accept_thick=accept_thick,
            accept_tilt=accept_tilt,
            series=series,
            budget_mb=budget_mb,
        )
    if series is not None:
        raise WrongUse("--series", "chooses within one folder", got=f"{len(files)} scans", do="Give one of them.")
    volumes, left_out = _volumes(files, budget_mb)
    if len(volumes) == 1:
        scan = scan_of(
            volumes[0].volume,
            modality=modality,
            accept_thick=accept_thick,
            accept_tilt=accept_tilt,
            budget_mb=budget_mb,
        )
        return replace(scan, warnings=(*scan.warnings, *left_out))
    requested = len(files) > 1
    stacks, unfit = _stacks(volumes, modality, accept_tilt, budget_mb, requested)
    return fused(stacks, [*left_out, *unfit], requested=requested, accept_thick=accept_thick)


def _volumes(files: Sequence[Path], budget_mb: float) -> tuple[list[ExaminationStack], list[str]]:
    """What the files hold, and sentences about what was left out."""
    # What reads DICOM takes 30 MB and half a second: only where it is needed.
    from canalwise.recon.dicom.reader import ExaminationStack, read_dicom_stacks

    found: list[ExaminationStack] = []
    left_out: list[str] = []
    for number, path in enumerate(files, start=1):
        if is_dicom(path):
            stacks, said = read_dicom_stacks(path, budget_mb)
            found += stacks
            left_out += said
        else:
            volume = read_volume(path, budget_mb=budget_mb)
            found.append(ExaminationStack(volume, f"scan {number} of {len(files)}", ""))
    return found, left_out


def weighting_of(echo_ms: float | None, repetition_ms: float | None) -> str:
    """'T2', 'T1' or 'PD' by a spin echo's times; empty where they are not stated.

    >>> weighting_of(102.0, 3500.0), weighting_of(10.0, 550.0), weighting_of(None, None)
    ('T2', 'T1', '')
    """
    if echo_ms is None or repetition_ms is None:
        return ""
    if echo_ms >= T2_ECHO_MS:
        return "T2"
    return "T1" if repetition_ms <= T1_REPETITION_MS else "PD"


def _stacks(
    volumes: Sequence[ExaminationStack],
    modality: ModalityName | None,
    accept_tilt: bool,
    budget_mb: float,
    requested: bool,
) -> tuple[list[Stack], list[str]]:
    """The volumes as scans, and sentences about those that are no image to work on; of requested stacks none may be."""
    found: list[Stack] = []
    left_out: list[str] = []
    for one in volumes:
        try:
            found.append(_stack(one, modality, accept_tilt, budget_mb))
        except UnusableInput as why:
            if requested:
                raise
            left_out.append(f"A series was left out ({one.said}): {why.who} {why.rule}.")
    if not found:
        raise BadFile("the folder", "must hold a series that can be worked on", got="; ".join(left_out))
    return found, left_out


def _stack(one: ExaminationStack, modality: ModalityName | None, accept_tilt: bool, budget_mb: float) -> Stack:
    """A volume as a scan; what only adds to another may have few and thick slices, so that is not judged here."""
    claimed = one.volume.modality or modality or "CT"
    if MODALITIES[claimed].calibrated:
        raise WrongUse(
            "several scans",
            "must all be MR, stacks of one examination",
            got=claimed if one.volume.modality else "a format that cannot say",
            do="Give --modality MR where they are, or one CT alone.",
        )
    for check in (check_finite, check_not_empty, check_not_label_map, check_magnitude):
        check(one.volume.voxels)
    background = float(one.volume.voxels.min())
    upright = canonical(right_angled(one.volume, accept_tilt=accept_tilt, background=background, budget_mb=budget_mb))
    scan = Scan(upright.voxels, Grid(upright.voxels.shape, upright.affine_ras_mm), claimed, upright.provenance)
    return Stack(scan, one.said, one.place, weighting_of(one.echo_ms, one.repetition_ms))


def fused(
    stacks: Sequence[Stack], left_out: Sequence[str] = (), *, requested: bool = False, accept_thick: bool = False
) -> Scan:
    """The stacks put together on the axes of the reference.

    Parameters
    ----------
    left_out : sentences about what could not be read
    requested : did a person name every stack? Then one that cannot be used is refused, not left out

    Raises
    ------
    BadGeometry : the reference is too small or its slices too thick; requested stacks that do not overlap
    UnusableInput : requested stacks that show something else
    """
    reference = max(stacks, key=_rank)
    spacing, scan = reference.scan.grid.spacing_mm, reference.scan
    check_size(scan.grid.shape, spacing)
    warnings = [*mr_thickness_warnings(spacing, accept_thick=accept_thick), *left_out]
    grid = working_grid(scan.grid)
    check_memory(grid.shape, np.float32)
    value = on_grid(scan, grid)
    used, across = [], [_across(scan.grid)]
    for other in stacks:
        if other is reference:
            continue
        why = _unfit(reference, other)
        added = None if why else _added(value, grid, reference, other)
        if added is None:
            why = why or UnusableInput(
                "the stacks of an examination",
                "must show the same place alike",
                got=f"{other.said}, which agrees too little with {reference.said}",
                do="Give stacks of one weighting of one patient, or one stack alone.",
            )
            if requested:
                raise why
            warnings.append(f"A series was left out ({other.said}): {why.got}.")
            continue
        value, moved_mm = added
        used.append(f"{other.said}, moved by {moved_mm:.1f} mm")
        across.append(_across(other.scan.grid))
    # The others cover a part only: what is reckoned with everywhere is the reference's own voxel.
    provenance = {**scan.provenance, ACQUIRED: acquired_words(scan), "stacks": "; ".join([reference.said, *used])}
    provenance[ACROSS] = "; ".join(across)
    # whole numbers stay whole, so that a case of them is small; fractions of one must not be rounded away
    value = np.maximum(np.rint(value) if scan.voxels.dtype.kind in "iu" else value, 0).astype(np.float32)
    return Scan(value, grid, scan.modality, provenance, tuple(warnings))


def _across(grid: Grid) -> str:
    """Pixels across the spine, and from which height to which, as the provenance tells them.

    >>> _across(Grid((5, 5, 11), np.diag([0.5, 0.6, 4.0, 1.0])))
    '0.60 0.0 40.0'
    """
    i, j, k = grid.shape
    low, high = sorted(grid.world_mm([[i / 2, j / 2, 0], [i / 2, j / 2, k - 1]])[:, 2])
    return f"{grid.spacing_mm[:2].max():.2f} {low:.1f} {high:.1f}"


def _rank(stack: Stack) -> tuple[bool, bool, float, float]:
    """T2 before others, sagittal before others, then the longest along the spine, then the most space."""
    size = np.array(stack.scan.grid.shape) * stack.scan.grid.spacing_mm
    return stack.weighting in ("T2", ""), stack.across == 0, float(size[2]), float(size.prod())


def _unfit(reference: Stack, other: Stack) -> UnusableInput | None:
    """Why a stack cannot be added; None where it may be tried."""
    who = "the stacks of an examination"
    if reference.place != other.place:
        return BadGeometry(who, "must be taken in one place", got="it was taken after the patient was placed anew")
    if {reference.weighting, other.weighting} - {"", reference.weighting}:
        return UnusableInput(who, "must be of one weighting", got=f"it is {other.weighting}, not {reference.weighting}")
    shared = _shared_frac(reference.scan.grid, other.scan.grid)
    if shared < LEAST_SHARED_FRAC:
        return BadGeometry(
            who,
            "must overlap",
            got=f"it shares {100 * shared:.0f} % of the space of {reference.said}",
            do="Give stacks of one examination, or one stack alone.",
        )
    return None


def _shared_frac(grid: Grid, other: Grid) -> float:
    """Share of a grid's space that another holds, on points a few mm apart."""
    steps = [np.linspace(0, n - 1, 24) for n in grid.shape]
    points = grid.world_mm(np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3))
    return float(other.contains(points).mean())


def _added(value: Image, grid: Grid, reference: Stack, other: Stack) -> tuple[Image, float] | None:
    """The volume with a stack's detail added, and by how much it was moved; None where both do not agree."""
    shift_mm = _shift_mm(value, grid, other)
    moved = _moved(other.scan, shift_mm)
    there = on_grid(moved, grid, outside=np.nan)
    held = np.isfinite(there)
    if not held.any() or _agreement(value[held], there[held]) < LEAST_AGREEMENT:
        return None
    fitted = _fitted(there, value, held, grid)
    difference = np.where(held, fitted - value, 0.0).astype(np.float32)
    inside = ndimage.distance_transform_edt(held, sampling=grid.spacing_mm)
    fade = np.clip(inside / FADE_MM, 0.0, 1.0).astype(np.float32)
    detail = _weighed(difference, grid, reference.scan.grid, moved.grid)
    return value + fade * detail, float(np.linalg.norm(shift_mm))


def _agreement(one: Image, other: Image) -> float:
    return float(np.corrcoef(one.ravel()[::7], other.ravel()[::7])[0, 1]) if one.size > 70 else 0.0


def _moved(scan: Scan, shift_mm: Float) -> Scan:
    affine = scan.grid.affine_ras_mm.copy()
    affine[:3, 3] += shift_mm
    return replace(scan, grid=Grid(scan.grid.shape, affine))


def _shift_mm(value: Image, grid: Grid, other: Stack) -> Float:
    """(3,) RAS mm by which a stack must be moved to agree best with the volume: steps halved about the best so far."""
    step = max(round(2.0 / float(grid.spacing_mm.min())), 1)
    small = value[::step, ::step, ::step]
    affine = grid.affine_ras_mm.copy()
    affine[:3, :3] *= step
    coarse = Grid(small.shape, affine)

    def score(shift: Float) -> float:
        there = on_grid(_moved(other.scan, shift), coarse, outside=np.nan)
        held = np.isfinite(there)
        return float(np.corrcoef(small[held], there[held])[0, 1]) if held.sum() > 500 else -1.0

    best, at, length = np.zeros(3), score(np.zeros(3)), SHIFT_STEP_MM
    while length >= SHIFT_STEP_MM / 4:
        for direction in np.concatenate([np.eye(3), -np.eye(3)]):
            tried = best + length * direction
            if np.linalg.norm(tried) <= MOST_SHIFT_MM and (found := score(tried)) > at + 1e-4:
                best, at = tried, found
        length /= 2
    return best


def _fitted(there: Image, value: Image, held: npt.NDArray[np.bool_], grid: Grid) -> Image:
    """The stack's values in the volume's brightness: a straight line each SLAB_MM of the third axis."""
    out = there.copy()
    step = max(round(SLAB_MM / float(grid.spacing_mm[2])), 1)
    for start in range(0, grid.shape[2], step):
        part = (slice(None), slice(None), slice(start, start + step))
        x, y = there[part][held[part]], value[part][held[part]]
        if x.size < 500 or x.std() == 0:
            continue
        # matched by spread, not regressed: noise in x would flatten the line
        gain = float(y.std() / x.std())
        out[part] = (there[part] - x.mean()) * gain + y.mean()
    return out


def _weighed(difference: Image, grid: Grid, reference: Grid, other: Grid) -> Image:
    """The difference, each wave weighed by the other stack's share of both stacks' squared weights."""
    waves = [fft.fftfreq(n, d=float(mm)) for n, mm in zip(difference.shape[:2], grid.spacing_mm[:2], strict=True)]
    waves.append(fft.rfftfreq(difference.shape[2], d=float(grid.spacing_mm[2])))
    axes = grid.affine_ras_mm[:3, :3] / grid.spacing_mm
    own, its = (_passed(waves, axes, one) for one in (reference, other))
    share = (its**2 / (own**2 + its**2 + 1e-6)).astype(np.float32)
    spectrum = fft.rfftn(difference) * share
    return np.asarray(fft.irfftn(spectrum, s=difference.shape), dtype=np.float32)


def _passed(waves: Sequence[Float], axes: Float, stack: Grid) -> Image:
    """(nx, ny, nz // 2 + 1) array: the weight with which a stack's slices pass each wave of the working volume."""
    across = int(np.argmax(stack.spacing_mm))
    normal = axes.T @ (stack.affine_ras_mm[:3, across] / stack.spacing_mm[across])
    sigma = float(stack.spacing_mm[across]) / FWHM_PER_SIGMA
    i, j, k = np.ix_(*waves)
    along = i * normal[0] + j * normal[1] + k * normal[2]
    return np.asarray(np.exp(-2.0 * (np.pi * along * sigma) ** 2), dtype=np.float32)
