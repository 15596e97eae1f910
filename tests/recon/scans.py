"""Small made-up scans in many wrappings: unequal spacings, off the origin, with air, soft tissue and bone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import nibabel as nib
import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    RLELossless,
    generate_uid,
)

SHAPE = (20, 24, 30)
SPACING_MM = (0.9, 0.8, 0.7)
SECRET = "DOE"
"""Written into every tag and file name that could carry identity; must never come out again."""

UPRIGHT = np.diag([*SPACING_MM, 1.0]) + np.array([[0, 0, 0, -31.0], [0, 0, 0, 17.0], [0, 0, 0, -205.0], [0, 0, 0, 0]])


def body(shape: tuple[int, int, int] = SHAPE, seed: int = 3) -> np.ndarray:
    """int16 HU array in which no two slices, rows or columns are alike."""
    hu = np.random.default_rng(seed).normal(40, 15, shape)
    hu[:2] = -1000
    hu[6:12, 5:14, 4:20] = 700
    hu[8:10, 8:10, 6:9] += np.arange(12).reshape(2, 2, 3)
    return np.rint(hu).astype(np.int16)


def write_nifti_file(
    path: Path,
    voxels: np.ndarray,
    affine: np.ndarray = UPRIGHT,
    *,
    sform: int = 1,
    qform: int = 0,
    unit: str = "mm",
    other: np.ndarray | None = None,
    kind: type = nib.Nifti1Image,
) -> Path:
    """A NIfTI file with the requested codes; `other` is the qform where it differs."""
    image = kind(voxels, affine, dtype=voxels.dtype)
    image.set_sform(affine, code=sform)
    image.set_qform(affine if other is None else other, code=qform)
    image.header.set_xyzt_units(unit)
    nib.save(image, path)
    return path


def write_series(
    folder: Path,
    hu: np.ndarray,
    *,
    change: Callable[[int, Dataset], None] = lambda k, d: None,
    keep: Sequence[int] | None = None,
    heights_mm: Sequence[float] | None = None,
    lean: tuple[float, float] = (0.0, 0.0),
    orientation: Sequence[float] = (1, 0, 0, 0, 1, 0),
    series: str = "1",
    syntax: str = ExplicitVRLittleEndian,
) -> Path:
    """A classic CT series of a (columns, rows, slices) HU array, file names shuffled, spacing 0.9 x 0.8 x 0.7 mm.

    `change(k, dataset)` spoils slice k; `keep` leaves slices out; `heights_mm` places them along the normal;
    `lean` moves each slice in plane by mm per mm of height.
    """
    folder.mkdir(exist_ok=True)
    names = np.random.default_rng(1).permutation(hu.shape[2])
    row, column = np.array(orientation[:3], float), np.array(orientation[3:], float)
    normal = np.cross(row, column)
    for k in range(hu.shape[2]) if keep is None else keep:
        height = SPACING_MM[2] * k if heights_mm is None else heights_mm[k]
        dataset = _slice(hu[:, :, k].T, series, k)
        position = np.array([30.5, -17.25, -204.0]) + height * (normal + lean[0] * row + lean[1] * column)
        dataset.ImagePositionPatient = [f"{mm:.6f}" for mm in position]
        dataset.ImageOrientationPatient = [f"{c:.8f}" for c in orientation]
        change(k, dataset)
        _save(dataset, folder / f"{SECRET}{series}_{names[k]:03d}.dcm", syntax)
    return folder


def series_affine_ras(orientation: Sequence[float] = (1, 0, 0, 0, 1, 0)) -> np.ndarray:
    """(4, 4): where `write_series` puts (column, row, slice), by the equation of DICOM PS3.3 C.7.6.2.1.1."""
    row, column = np.array(orientation[:3], float), np.array(orientation[3:], float)
    lps = np.eye(4)
    lps[:3] = np.stack([row * 0.9, column * 0.8, np.cross(row, column) * 0.7, [30.5, -17.25, -204.0]], axis=1)
    return np.diag([-1.0, -1.0, 1.0, 1.0]) @ lps


def write_enhanced(path: Path, hu: np.ndarray) -> Path:
    """The same volume as one enhanced multi-frame CT file, its frames in a shuffled order."""
    dataset = _slice(hu[:, :, 0].T, "1", 0)
    for keyword in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "RescaleSlope"):
        dataset.pop(keyword, None)
    dataset.SOPClassUID = EnhancedCTImageStorage
    order = np.random.default_rng(2).permutation(hu.shape[2])
    dataset.NumberOfFrames = len(order)
    dataset.SharedFunctionalGroupsSequence = [_shared_groups()]
    dataset.PerFrameFunctionalGroupsSequence = [_frame_groups(int(k)) for k in order]
    dataset.PixelData = (np.stack([hu[:, :, k].T for k in order]) + 1024).astype("<u2").tobytes()
    _save(dataset, path, ExplicitVRLittleEndian)
    return path


def _shared_groups() -> Dataset:
    shared, orientation, measures, values = Dataset(), Dataset(), Dataset(), Dataset()
    orientation.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    measures.PixelSpacing = [0.8, 0.9]
    values.RescaleSlope, values.RescaleIntercept, values.RescaleType = 1, -1024, "HU"
    shared.PlaneOrientationSequence, shared.PixelMeasuresSequence = [orientation], [measures]
    shared.PixelValueTransformationSequence = [values]
    return shared


def _frame_groups(k: int) -> Dataset:
    frame, position, kind = Dataset(), Dataset(), Dataset()
    position.ImagePositionPatient = [30.5, -17.25, round(-204.0 + 0.7 * k, 6)]
    kind.FrameType = ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"]
    frame.PlanePositionSequence, frame.CTImageFrameTypeSequence = [position], [kind]
    return frame


def _slice(hu_rows_columns: np.ndarray, series: str, k: int) -> Dataset:
    dataset = Dataset()
    dataset.SOPClassUID = CTImageStorage
    dataset.SOPInstanceUID = generate_uid(entropy_srcs=[series, str(k)])
    dataset.SeriesInstanceUID = generate_uid(entropy_srcs=["series", series])
    dataset.FrameOfReferenceUID = generate_uid(entropy_srcs=["frame"])
    dataset.PatientName, dataset.PatientID, dataset.StudyDate = SECRET, SECRET, "19991231"
    dataset.SeriesDescription = SECRET
    dataset.Modality, dataset.ImageType, dataset.SliceThickness = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"], "5"
    dataset.InstanceNumber = 1000 - k
    dataset.Rows, dataset.Columns = hu_rows_columns.shape
    dataset.PixelSpacing = [0.8, 0.9]
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit, dataset.PixelRepresentation = 16, 16, 15, 0
    dataset.RescaleSlope, dataset.RescaleIntercept = 1, -1024
    dataset.PixelData = (hu_rows_columns.astype(int) + 1024).astype("<u2").tobytes()
    return dataset


def _save(dataset: Dataset, path: Path, syntax: str) -> None:
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    if syntax == ExplicitVRBigEndian:
        dataset.PixelData = np.frombuffer(dataset.PixelData, "<u2").astype(">u2").tobytes()
    if syntax in (RLELossless, JPEG2000Lossless):
        dataset.compress(syntax, generate_instance_uid=False)
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.save_as(path, enforce_file_format=True)
