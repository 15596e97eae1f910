"""Phantom scans on disk: NIfTI, classic DICOM series, label map and truth.

Everything is written under a temporary name and renamed when whole. The same scan
gives the same bytes.
"""

from __future__ import annotations

import gzip
import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import nibabel as nib
import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian, MRImageStorage

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float, Grid
from canalwise.recon.labels import label_names

UID_ROOT = "1.2.826.0.1.3680043.8.498."
"""The root pydicom uses for UIDs of those who have none; suffixes are made from the series name."""

RAS_TO_LPS = np.array([-1.0, -1.0, 1.0])
Modality = Literal["CT", "MR"]


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A temporary sibling of a path that takes its name only when the block ends well."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".part-", suffix="".join(path.suffixes), dir=path.parent)
    os.close(handle)
    try:
        yield Path(name)
        # a temporary file is the owner's alone; what takes its place is as open as any other new file
        Path(name).chmod(0o666 & ~_umask())
        os.replace(name, path)
    finally:
        Path(name).unlink(missing_ok=True)


def _umask() -> int:
    """The process's mask of permissions, which can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def write_nifti(voxels: npt.NDArray[Any], grid: Grid, path: Path) -> Path:
    """An integer volume as NIfTI-1 in mm, both transforms set to scanner space, gzip without a time stamp."""
    image = nib.Nifti1Image(voxels, grid.affine_ras_mm)
    image.header.set_xyzt_units("mm")
    image.set_qform(grid.affine_ras_mm, code=1)
    image.set_sform(grid.affine_ras_mm, code=1)
    with whole_file(path) as part:
        data = image.to_bytes()
        part.write_bytes(gzip.compress(data, compresslevel=1, mtime=0) if path.suffix == ".gz" else data)
    return path


def write_labels(scan: PhantomScan, path: Path) -> Path:
    """The label map as NIfTI with `<name>.json` of the names of the labels in it beside it."""
    present = {str(n): label_names()[int(n)] for n in np.unique(scan.labels)}
    write_json(present, path.with_name(path.name.removesuffix(".gz").removesuffix(".nii") + ".json"))
    return write_nifti(scan.labels, scan.grid, path)


def write_json(record: dict[str, Any], path: Path) -> Path:
    """A record as indented JSON."""
    with whole_file(path) as part:
        part.write_text(json.dumps(record, indent=1) + "\n")
    return path


def write_scan(scan: PhantomScan, folder: Path, truth: dict[str, Any] | None = None) -> Path:
    """A folder with ct.nii.gz, mr.nii.gz, labels.nii.gz, labels.json and, when given, truth.json."""
    write_nifti(scan.ct_hu, scan.grid, folder / "ct.nii.gz")
    write_nifti(scan.mr, scan.grid, folder / "mr.nii.gz")
    write_labels(scan, folder / "labels.nii.gz")
    if truth is not None:
        write_json(truth, folder / "truth.json")
    return folder


def write_dicom_series(scan: PhantomScan, folder: Path, *, modality: Modality = "CT", series: int = 1) -> Path:
    """One classic DICOM file per slice along the grid's third axis, with positions and directions from the grid.

    The grid's third axis must be the slice normal (row x column); rows run along the
    first axis. A left-handed grid is written from its other end. No patient data: the
    name is PHANTOM, dates are empty.
    """
    if modality not in ("CT", "MR"):
        raise WrongUse("'modality'", "must be CT or MR", got=modality)
    voxels = scan.ct_hu if modality == "CT" else scan.mr
    folder.mkdir(parents=True, exist_ok=True)
    for index in range(scan.grid.shape[2]):
        with whole_file(folder / f"{modality.lower()}{index + 1:04d}.dcm") as part:
            _slice(voxels[:, :, index], scan.grid, index, modality, series).save_as(part, enforce_file_format=True)
    return folder


def _slice(plane: npt.NDArray[np.int16], grid: Grid, index: int, modality: Modality, series: int) -> FileDataset:
    sop = CTImageStorage if modality == "CT" else MRImageStorage
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = sop, ExplicitVRLittleEndian
    meta.MediaStorageSOPInstanceUID = _uid(modality, series, index + 1)
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = sop, meta.MediaStorageSOPInstanceUID
    _identify(ds, modality, series)
    _place(ds, grid, index)
    _fill(ds, plane, modality)
    return ds


def _uid(modality: Modality, *numbers: int) -> UID:
    return UID(UID_ROOT + ".".join(str(n) for n in (1 if modality == "CT" else 2, *numbers)))


def _identify(ds: Dataset, modality: Modality, series: int) -> None:
    """The required attributes of patient, study and series, with nothing in them that names anyone."""
    ds.PatientName, ds.PatientID, ds.PatientBirthDate, ds.PatientSex = "PHANTOM", "PHANTOM", "", ""
    ds.StudyInstanceUID, ds.SeriesInstanceUID = UID_ROOT + "9.1", _uid(modality, series)
    ds.FrameOfReferenceUID, ds.PositionReferenceIndicator = UID_ROOT + "9.2", ""
    ds.StudyDate = ds.StudyTime = ds.AccessionNumber = ds.ReferringPhysicianName = ds.StudyID = ""
    ds.Manufacturer, ds.SeriesNumber, ds.Modality, ds.PatientPosition = "", series, modality, "HFS"
    ds.ImageType = ["DERIVED", "SECONDARY", "AXIAL"] if modality == "CT" else ["DERIVED", "SECONDARY", "OTHER"]
    if modality == "CT":
        ds.KVP, ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = None, -1024, 1, "HU"
    else:
        ds.ScanningSequence, ds.SequenceVariant, ds.ScanOptions, ds.MRAcquisitionType = "SE", "NONE", "", "2D"
        ds.EchoTime, ds.EchoTrainLength, ds.RepetitionTime = 100, 1, 4000


def _place(ds: Dataset, grid: Grid, index: int) -> None:
    """Position, orientation and spacing of one slice (LPS mm), from the grid alone."""
    directions = (grid.affine_ras_mm[:3, :3] / grid.spacing_mm) * RAS_TO_LPS[:, None]
    position = grid.world_mm([0, 0, index]) * RAS_TO_LPS
    ds.ImagePositionPatient = _decimals(position)
    ds.ImageOrientationPatient = _decimals(np.concatenate([directions[:, 0], directions[:, 1]]))
    # PixelSpacing is (between rows, between columns): the second array axis first
    ds.PixelSpacing = _decimals(grid.spacing_mm[[1, 0]])
    ds.SliceThickness = _decimals(grid.spacing_mm[[2]])[0]
    ds.SliceLocation = _decimals(np.array([position @ np.cross(directions[:, 0], directions[:, 1])]))[0]
    ds.InstanceNumber, ds.AcquisitionNumber = index + 1, 1


def _decimals(values: Float) -> list[str]:
    """Numbers as DICOM decimal strings of at most 16 characters."""
    return [f"{v:.10f}"[:16] if abs(v) < 1e4 else f"{v:.6g}" for v in np.asarray(values, dtype=float) + 0.0]


def _fill(ds: Dataset, plane: npt.NDArray[np.int16], modality: Modality) -> None:
    stored = plane.astype(np.int32).T + (1024 if modality == "CT" else 0)
    pixels = np.ascontiguousarray(np.clip(stored, 0, 65535).astype("<u2"))
    ds.Rows, ds.Columns = pixels.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PixelRepresentation = 1, "MONOCHROME2", 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, 16, 15
    ds.PixelData = pixels.tobytes()
