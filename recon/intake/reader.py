"""The door: a scan file or folder becomes a checked `Scan`, or a clear refusal.

No name, date, UID or path of the source passes it, not even in an error.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from canalwise.recon.errors import BadFile, UnusableInput, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import BUDGET_MB, Volume, canonical, right_angled
from canalwise.recon.intake import metaimage_reader as metaimage
from canalwise.recon.intake import nrrd_reader as nrrd
from canalwise.recon.intake.checks import (
    check_finite,
    check_hounsfield,
    check_magnitude,
    check_not_empty,
    check_not_label_map,
    check_size,
    metal_warnings,
    mr_thickness_warnings,
    thickness_warnings,
)
from canalwise.recon.intake.metaimage_reader import read_metaimage
from canalwise.recon.intake.nifti_reader import read_nifti
from canalwise.recon.intake.nrrd_reader import read_nrrd
from canalwise.recon.modality import MODALITIES, ModalityName
from canalwise.recon.scan import Scan

NIFTI_SUFFIXES = (".nii", ".nii.gz")

AIR_HU = -1024.0
"""What a resampled CT is padded with."""


def read_scan(
    path: str | Path,
    *,
    modality: ModalityName | None = None,
    accept_thick: bool = False,
    accept_tilt: bool = False,
    series: int | None = None,
    budget_mb: float = BUDGET_MB,
) -> Scan:
    """The scan in a NIfTI, NRRD, MetaImage or DICOM file, or a DICOM folder or zip.

    Parameters
    ----------
    path : file or folder
    modality : 'CT' or 'MR'; None takes what DICOM says, and CT for formats that cannot say
    accept_thick : read slices over 5 mm apart all the same
    accept_tilt : resample a leaning stack (gantry tilt) to right angles instead of refusing it
    series : which of several series, as numbered in the refusal that lists them
    budget_mb : refuse a larger volume before its voxels are read

    Raises
    ------
    UnusableInput : BadFile, BadGeometry or the base class; says what is wrong and what to do
    """
    if modality not in (None, "CT", "MR"):
        raise WrongUse("'modality'", "must be CT or MR", got=modality)
    volume = read_volume(Path(path), series=series, budget_mb=budget_mb)
    return scan_of(volume, modality=modality, accept_thick=accept_thick, accept_tilt=accept_tilt, budget_mb=budget_mb)


def is_dicom(path: Path) -> bool:
    """Is a path read as DICOM: a folder, an archive, or a file whose name says no other format?"""
    return not path.name.lower().endswith((*NIFTI_SUFFIXES, *nrrd.SUFFIXES, *metaimage.SUFFIXES))


def read_volume(path: Path, *, series: int | None = None, budget_mb: float = BUDGET_MB) -> Volume:
    """The volume at a path, whatever its format; axes as stored, nothing judged yet."""
    if not path.exists():
        raise BadFile("the scan", "must be a file or folder that exists")
    name = path.name.lower()
    if path.is_file() and path.stat().st_size == 0:
        raise BadFile("the scan", "must not be an empty file")
    if name.endswith(NIFTI_SUFFIXES):
        return read_nifti(path, budget_mb)
    if name.endswith(nrrd.SUFFIXES):
        return read_nrrd(path, budget_mb)
    if name.endswith(metaimage.SUFFIXES):
        return read_metaimage(path, budget_mb)
    from canalwise.recon.dicom.reader import read_dicom  # what reads DICOM takes 30 MB: only where it is needed

    return read_dicom(path, budget_mb, series)


def scan_of(
    volume: Volume,
    *,
    modality: ModalityName | None = None,
    accept_thick: bool = False,
    accept_tilt: bool = False,
    budget_mb: float = BUDGET_MB,
) -> Scan:
    """A checked `Scan` of a volume; raises UnusableInput as `read_scan` does.

    >>> hu = np.full((20, 20, 20), -90); hu[5:15, 5:15] = 40; hu[8:12, 8:12] = 600
    >>> scan = scan_of(Volume(hu.astype(np.int16), np.diag([-1.0, -1.0, 1.0, 1.0])))
    >>> scan.modality, scan.provenance["stored_axes"], scan.grid.spacing_mm.tolist()
    ('CT', 'LPS', [1.0, 1.0, 1.0])
    """
    kind = _modality(volume, modality)
    # Cheap refusals first: a broken scan should not be resampled before it is refused.
    check_finite(volume.voxels)
    check_not_empty(volume.voxels)
    check_not_label_map(volume.voxels)
    background = AIR_HU if MODALITIES[kind].calibrated else float(volume.voxels.min())
    upright = canonical(right_angled(volume, accept_tilt=accept_tilt, background=background, budget_mb=budget_mb))
    grid = Grid(upright.voxels.shape, upright.affine_ras_mm)
    check_size(grid.shape, grid.spacing_mm)
    if MODALITIES[kind].calibrated:
        warnings = upright.warnings + thickness_warnings(grid.spacing_mm, accept_thick=accept_thick)
        check_hounsfield(upright.voxels)
        warnings += metal_warnings(upright.voxels, grid.voxel_mm3)
    else:
        warnings = upright.warnings + mr_thickness_warnings(grid.spacing_mm, accept_thick=accept_thick)
        check_magnitude(upright.voxels)
    return Scan(upright.voxels, grid, kind, {**upright.provenance, **_reported(grid)}, warnings)


def _modality(volume: Volume, requested: ModalityName | None) -> ModalityName:
    if requested and volume.modality and requested != volume.modality:
        raise UnusableInput(
            "the scan",
            f"must be {requested} as requested",
            got=volume.modality,
            do=f"Give the {requested} series here and the {volume.modality} series where it belongs.",
        )
    return requested or volume.modality or "CT"


def _reported(grid: Grid) -> dict[str, str]:
    spacing = " x ".join(f"{mm:.3f}" for mm in grid.spacing_mm)
    return {
        "spacing_mm": spacing,
        "voxels": " x ".join(str(n) for n in grid.shape),
        "obliquity_deg": f"{_obliquity_deg(grid):.1f}",
    }


def _obliquity_deg(grid: Grid) -> float:
    cosines = np.abs(np.diag(grid.affine_ras_mm[:3, :3])) / grid.spacing_mm
    return float(np.degrees(np.arccos(np.clip(cosines.min(), 0.0, 1.0))))
