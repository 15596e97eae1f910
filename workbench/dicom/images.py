"""A case's scan as an image series of its own: one classic CT or MR image a slice, without identity."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.uid import CTImageStorage, MRImageStorage

from canalwise.recon.scan import Scan
from canalwise.workbench.dicom.frame_stack import FrameStack, add_plane, slice_grid
from canalwise.workbench.dicom.identity import StudyIdentity, begun, uid_of, with_caution

SERIES_NUMBER = 1
STEPS = 60_000
"""Values of an MR kept as floats are written in this many steps."""

DEFAULT_WINDOW = (375.0, 1050.0)
"""Centre and width, HU: from -150 to 900 (`recon.modality`)."""


def own_stack(scan: Scan, identity: StudyIdentity, key: str) -> FrameStack:
    """The planes of a series that holds the case's scan; `key` is the case's checksum."""
    grid = slice_grid(scan.grid)
    series = uid_of(key, "images")
    return FrameStack(grid, tuple(_header(scan, identity, grid, series, number) for number in range(grid.shape[2])))


def image_files(scan: Scan, stack: FrameStack) -> list[Dataset]:
    """The slices with their pixels, in the order of the stack."""
    stored, slope, intercept = _stored(stack.placed_on_frames(scan.voxels, scan.grid))
    return [_with_pixels(header, stored[k], slope, intercept, scan) for k, header in enumerate(stack.headers)]


def _header(scan: Scan, identity: StudyIdentity, grid: Any, series: str, number: int) -> Dataset:
    ct = scan.kind.calibrated
    sop_class = CTImageStorage if ct else MRImageStorage
    made = begun(identity, sop_class, uid_of(series, str(number)), series, scan.modality)
    made.FrameOfReferenceUID, made.PositionReferenceIndicator = identity.frame_of_reference_uid, ""
    made.SeriesNumber, made.InstanceNumber, made.AcquisitionNumber = SERIES_NUMBER, number + 1, 1
    made.SeriesDescription = "Scan of the case, cropped"
    made.ImageType = ["DERIVED", "SECONDARY", "AXIAL"] if ct else ["DERIVED", "SECONDARY", "OTHER"]
    made.PatientPosition = "HFS"
    made.Columns, made.Rows = grid.shape[0], grid.shape[1]
    add_plane(made, grid, number)
    if ct:
        made.KVP = ""
    else:
        made.ScanningSequence, made.SequenceVariant, made.ScanOptions, made.MRAcquisitionType = "RM", "NONE", "", ""
        made.EchoTime, made.RepetitionTime, made.EchoTrainLength = "", "", ""
    made.BurnedInAnnotation = "NO"
    with_caution(made)
    return made


def _stored(values: npt.NDArray[Any]) -> tuple[npt.NDArray[np.int16], float, float]:
    """Stored numbers with slope and intercept: whole numbers as they are, others in STEPS steps."""
    if values.dtype.kind != "f":
        return values.astype(np.int16), 1.0, 0.0
    low, high = float(values.min()), float(values.max())
    slope = (high - low) / STEPS or 1.0
    return np.rint((values - low) / slope - STEPS / 2).astype(np.int16), slope, low + slope * STEPS / 2


def _with_pixels(header: Dataset, pixels: npt.NDArray[np.int16], slope: float, intercept: float, scan: Scan) -> Dataset:
    made = Dataset(header)
    made.file_meta = header.file_meta
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, "MONOCHROME2"
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 16, 16, 15, 1
    if scan.kind.calibrated:
        made.RescaleSlope, made.RescaleIntercept, made.RescaleType = f"{slope:.10g}", f"{intercept:.10g}", "HU"
        made.WindowCenter, made.WindowWidth = (f"{value:g}" for value in DEFAULT_WINDOW)
    made.PixelData = pixels.astype("<i2").tobytes()
    return made
