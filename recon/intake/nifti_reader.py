"""NIfTI-1 and NIfTI-2 in: header checks first, voxels after.

Meaning of sform, qform and the unit codes: the NIfTI-1 header definition
(https://nifti.nimh.nih.gov/pub/dist/src/niftilib/nifti1.h).
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import numpy as np

from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.nifti_library import arrayproxy, filebasedimages, imageglobals, nib, spatialimages
from canalwise.recon.image.volume import Volume, Voxels, check_budget, rescaled, volume_shape
from canalwise.recon.intake.raw_voxels import inflated

FORM_TOL_MM = 0.1
"""Largest distance between a corner placed by the sform and by the qform: far below a voxel, above float32 rounding."""

UNIT_MM = {"metre": 1000.0, "mm": 1.0, "micron": 0.001, "unknown": 1.0}
"""Length of each spatial unit a header can name."""

UNIT_CODES = {1: "metre", 2: "mm", 3: "micron"}
SPACE_BITS = 0x07
"""The low three bits of xyzt_units hold the spatial unit, the others that of time."""

MENDED = 30
"""Header faults of this level, such as a negative edge or an unknown form code, nibabel would mend by a guess and log
(nibabel.batteryrunners); here the header is refused."""

READ_FAILURES = (OSError, EOFError, ValueError, OverflowError, MemoryError, zlib.error,
                 filebasedimages.ImageFileError, spatialimages.HeaderDataError)  # fmt: skip


def read_nifti(path: Path, budget_mb: float) -> Volume:
    """The volume of a .nii or .nii.gz file, affine in RAS mm; axes as stored.

    Raises
    ------
    BadFile : missing, truncated, not NIfTI, colour or complex voxels, larger than the budget
    BadGeometry : more than one volume, no orientation, or sform and qform disagree
    """
    image = _opened(path)
    shape = volume_shape(image.shape)
    check_budget(shape, budget_mb)
    if image.get_data_dtype().kind not in "iuf":
        raise BadFile("the NIfTI file", "must hold plain numbers", got=str(image.get_data_dtype()))
    unit = UNIT_CODES.get(int(image.header["xyzt_units"]) & SPACE_BITS, "unknown")
    affine = np.diag([UNIT_MM[unit]] * 3 + [1.0]) @ _placement(image.header, shape)
    warnings = _unit_warnings(unit)
    voxels, rescale = _voxels(image)
    return Volume(
        voxels.reshape(shape),
        affine,
        warnings=warnings,
        provenance={"format": "NIfTI", "rescale": rescale, "unit": unit},
    )


def stored_voxels(path: Path, budget_mb: float) -> tuple[Voxels, Grid]:
    """The numbers of a NIfTI file as stored, scaling left out, and their grid; raises as `read_nifti` does."""
    image = _opened(path)
    shape = volume_shape(image.shape)
    check_budget(shape, budget_mb)
    return np.array(_stored(image)).reshape(shape), Grid(shape, _placement(image.header, shape))


def _opened(path: Path) -> nib.Nifti1Image:
    try:
        # Broken headers may hold signalling not-a-numbers; they are refused later, by their place.
        with np.errstate(all="ignore"), _nothing_mended():
            image = nib.load(path)
    except READ_FAILURES:
        image = None
    if not isinstance(image, nib.Nifti1Image):
        raise BadFile(
            "the NIfTI file",
            "must be a whole NIfTI-1 or NIfTI-2 image",
            got="a header that cannot be read",
            do="Export or copy the file again.",
        ) from None
    return image


@contextmanager
def _nothing_mended() -> Iterator[None]:
    """nibabel raises where it would mend, and says nothing of its own on stderr."""
    was, imageglobals.logger.disabled = imageglobals.logger.disabled, True
    try:
        with imageglobals.ErrorLevel(MENDED):
            yield
    finally:
        imageglobals.logger.disabled = was


def _placement(header: nib.Nifti1Header, shape: tuple[int, int, int]) -> Float:
    try:
        with np.errstate(all="ignore"):
            sform, qform = header.get_sform(coded=True)[0], header.get_qform(coded=True)[0]
    except READ_FAILURES:
        raise BadGeometry("the NIfTI header", "must hold a valid orientation", got="an impossible quaternion") from None
    if sform is None and qform is None:
        raise BadGeometry(
            "the NIfTI header",
            "must say where left and right are",
            got="sform_code 0 and qform_code 0",
            do="Convert the original images again; without it a side would be a guess.",
        )
    # Readers differ in which of the two they prefer, so a pair that disagrees would move the patient between programs.
    if sform is not None and qform is not None:
        _check_forms_agree(sform, qform, shape)
    chosen: Float = np.asarray(qform if sform is None else sform, dtype=float)
    return chosen


def _check_forms_agree(sform: Float, qform: Float, shape: tuple[int, int, int]) -> None:
    if not (np.isfinite(sform).all() and np.isfinite(qform).all()):
        raise BadGeometry(
            "the NIfTI header",
            "must hold a valid orientation",
            got="numbers that are not finite",
            do="Convert the original images again.",
        )
    corners = np.stack(np.meshgrid(*[(0, n - 1) for n in shape], [1], indexing="ij"), axis=-1).reshape(-1, 4)
    apart_mm = float(np.linalg.norm(corners @ (sform - qform).T, axis=1).max())
    if not apart_mm <= FORM_TOL_MM:
        raise BadGeometry(
            "the NIfTI header",
            f"must have sform and qform within {FORM_TOL_MM} mm of each other",
            got=f"corners up to {apart_mm:.2f} mm apart",
            do="Keep the one that matches the original images and set the other's code to 0.",
        )


def _unit_warnings(unit: str) -> tuple[str, ...]:
    if unit == "mm":
        return ()
    if unit == "unknown":
        return ("The header names no unit of length; millimetres were assumed. Check a known distance.",)
    return (f"The header's lengths are in {unit}s and were converted to millimetres.",)


def _voxels(image: nib.Nifti1Image) -> tuple[Voxels, str]:
    slope, intercept = _proxy(image).slope, _proxy(image).inter
    return rescaled(_stored(image), slope, intercept), f"slope {slope:g}, intercept {intercept:g}"


def _proxy(image: nib.Nifti1Image) -> arrayproxy.ArrayProxy:
    """The voxels still on disk; a loaded image always has this kind."""
    return cast(arrayproxy.ArrayProxy, image.dataobj)


def _stored(image: nib.Nifti1Image) -> Voxels:
    try:
        stored = _unpacked(image) if str(image.get_filename()).lower().endswith(".gz") else _proxy(image).get_unscaled()
    except READ_FAILURES:
        raise BadFile(
            "the NIfTI file",
            "must hold all the voxels its header promises",
            got="a file cut short or damaged",
            do="Export or copy the file again.",
        ) from None
    return stored


def _unpacked(image: nib.Nifti1Image) -> Voxels:
    """The voxels of a compressed file, unpacked in long pieces; raises one of READ_FAILURES where some are missing."""
    proxy = _proxy(image)
    size_bytes = proxy.dtype.itemsize * math.prod(proxy.shape)
    packed = inflated(Path(str(image.get_filename())), 0, proxy.offset + size_bytes)
    return np.frombuffer(packed, proxy.dtype, offset=proxy.offset).reshape(proxy.shape, order="F")
