"""The DICOM series that a case was built from, when a person asks to refer to it: checked, and without identity."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from canalwise.recon.dicom.pixels import StoredSlices
from canalwise.recon.dicom.reader import DicomStack, read_dicom_stack
from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import BUDGET_MB
from canalwise.recon.scan import Scan
from canalwise.workbench.dicom.deidentified import burned_in_warnings, method_of, replaced_uid, without_identity
from canalwise.workbench.dicom.frame_stack import FrameStack, placed_on_planes
from canalwise.workbench.dicom.identity import StudyIdentity, own_identity


@dataclass(frozen=True, eq=False)
class SourceSeries:
    """A source as objects may refer to it.

    Parameters
    ----------
    read : its slices and files
    stack : its planes, headers without identity
    identity : whose study the objects belong to
    warnings : sentences for people
    """

    read: DicomStack
    stack: FrameStack
    identity: StudyIdentity
    warnings: tuple[str, ...]

    def images(self) -> Iterator[Dataset]:
        """The images without identity, pixels as stored, uncompressed."""
        pixels = StoredSlices(self.read.sources)
        for number, (header, place) in enumerate(zip(self.stack.headers, self.read.slices, strict=True), start=1):
            made = Dataset(header)
            made.file_meta = header.file_meta
            made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
            stored = pixels.stored(place, f"slice {number} of {len(self.stack.headers)}")
            content = stored.astype(f"<{stored.dtype.kind}{stored.dtype.itemsize}").tobytes()
            made.PixelData = content + b"\0" * (len(content) % 2)
            yield made


def source_series(path: Path, scan: Scan, key: str, *, series: int | None, new_uids: bool) -> SourceSeries:
    """The series in a folder, held against the case's scan voxel by voxel.

    Parameters
    ----------
    scan, key : the case's scan and checksum
    series : which of several in the folder
    new_uids : replace its UIDs, for who passes the images on without identity too

    Raises
    ------
    BadFile : no such series, or another patient's
    BadGeometry : its planes do not carry the case's voxels
    """
    read = read_dicom_stack(path, BUDGET_MB, series)
    grid = _planes(read)
    _check_same(read, grid, scan)
    headers = [_header(read, number) for number in range(len(read.slices))]
    identity = _identity(headers[0], key, new_uids)
    cleaned = tuple(without_identity(header, identity, key, new_uids) for header in headers)
    return SourceSeries(read, FrameStack(grid, cleaned), identity, burned_in_warnings(headers))


def _planes(read: DicomStack) -> Grid:
    try:
        return Grid(read.volume.voxels.shape, read.volume.affine_ras_mm)
    except BadGeometry:
        raise BadGeometry(
            "the source",
            "must be a stack at right angles",
            got="one that leans (gantry tilt), which the case holds resampled",
            do="Export without --source.",
        ) from None


def _check_same(read: DicomStack, grid: Grid, scan: Scan) -> None:
    held = placed_on_planes(np.ones(scan.grid.shape, dtype=bool), scan.grid, grid)
    other = (placed_on_planes(scan.voxels, scan.grid, grid) != read.volume.voxels.transpose(2, 1, 0)) & held
    if other.any():
        raise BadFile(
            "the source",
            "must be the series that the case was built from",
            got=f"other values in {other.sum() / held.sum():.1%} of the voxels",
            do="Check patient, date and reconstruction, and give the right folder.",
        )


def _header(read: DicomStack, number: int) -> Dataset:
    """The header of a slice with all its attributes; only `without_identity` may pass any of them on."""
    with read.sources[read.slices[number].source].opened() as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        header = pydicom.dcmread(file, stop_before_pixels=True)
        header.decode()
    return header


def _identity(header: Dataset, key: str, new_uids: bool) -> StudyIdentity:
    own = own_identity(key)
    names = {"StudyInstanceUID": own.study_uid, "FrameOfReferenceUID": own.frame_of_reference_uid}
    study, frame = (str(header.get(name) or usual) for name, usual in names.items())
    if new_uids:
        study, frame = replaced_uid(study, key), replaced_uid(frame, key)
    return StudyIdentity(own.patient_id, study, frame, method_of(new_uids))
