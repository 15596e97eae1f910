"""Headers of DICOM slices, classic or enhanced multi-frame, before any pixel is read.

Attributes and functional groups: DICOM PS3.3, C.7.6.2 image plane
(https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.7.6.2.html), C.7.6.16 multi-frame functional
groups, C.8.2.1 CT image.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pydicom
from pydicom.errors import InvalidDicomError
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    EnhancedMRImageStorage,
    LegacyConvertedEnhancedCTImageStorage,
    LegacyConvertedEnhancedMRImageStorage,
    MRImageStorage,
)

from canalwise.recon.dicom.sources import DicomSource, check_inflated
from canalwise.recon.errors import BadFile, CanalwiseError
from canalwise.recon.grid import Float

TAGS = [
    "SOPInstanceUID",
    "SeriesInstanceUID",
    "FrameOfReferenceUID",
    "Modality",
    "PatientID",
    "PatientName",
    "EchoTime",
    "RepetitionTime",
    "ImageType",
    "Rows",
    "Columns",
    "NumberOfFrames",
    "SamplesPerPixel",
    "PixelRepresentation",
    "ImagePositionPatient",
    "ImageOrientationPatient",
    "PixelSpacing",
    "RescaleSlope",
    "RescaleIntercept",
    "RescaleType",
    "PixelPaddingValue",
    "ConvolutionKernel",
    "LossyImageCompression",
    "SharedFunctionalGroupsSequence",
    "PerFrameFunctionalGroupsSequence",
]
"""All that is read of a header; dates are not among them, and of whom it is only a digest is kept, to tell whether
two slices are of one patient."""

LEFT_OUT_FRAC = 0.25
"""Of more damaged files than this share of the good slices a series is refused without a look at the rest (choice)."""

FILES_NAMED = 4
"""A message names at most this many files."""

LPS_TO_RAS = np.array([-1.0, -1.0, 1.0])
IMAGE_MODALITIES = ("CT", "MR")
IMAGE_CLASSES = (
    CTImageStorage,
    EnhancedCTImageStorage,
    LegacyConvertedEnhancedCTImageStorage,
    MRImageStorage,
    EnhancedMRImageStorage,
    LegacyConvertedEnhancedMRImageStorage,
)
HU_TYPES = ("", "HU", "US")
"""Rescale types that can mean Hounsfield units: not stated, stated, and 'unspecified' (PS3.3 C.11.1.1.2)."""


@dataclass(frozen=True, eq=False)
class SliceHeader:
    """One slice: where it lies, what belongs together, and how its stored numbers become values.

    Meaning of position, orientation and spacing:
    https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.7.6.2.html

    `row_ras` runs along a row (toward the next column), `column_ras` down a column; `spacing_mm` is
    (between columns, between rows), the order of those two. The UIDs stay inside the intake,
    as does `patient`, a digest of whom the header names. `echo_ms` and `repetition_ms` are an MR's, where stated.
    """

    source: int
    frame: int
    series: str
    instance: str
    modality: str
    scout: bool
    kind: tuple[str, ...]
    shape: tuple[int, int]
    position_ras_mm: Float
    row_ras: Float
    column_ras: Float
    spacing_mm: Float
    rescale: tuple[float, float] | None
    rescale_type: str
    padding: int | None
    kernel: str
    lossy: bool
    patient: str = ""
    echo_ms: float | None = None
    repetition_ms: float | None = None


Group = tuple[SliceHeader, ...]
"""Slices that belong together."""


@dataclass(frozen=True)
class Headers:
    """The slices found, and how many files held none.

    Parameters
    ----------
    left_out : what is wrong with each file that should hold a slice and cannot be used, by its number in the order of
        names
    """

    slices: tuple[SliceHeader, ...]
    not_dicom: int
    other_objects: int
    left_out: tuple[str, ...] = ()


class _Lacks(Exception):
    """A header that can be read but does not say what a slice must."""


def read_headers(sources: Sequence[DicomSource], budget_mb: float) -> Headers:
    """The headers of all slices in the sources.

    Raises BadFile when there is none, or more than LEFT_OUT_FRAC of the images cannot be used.
    """
    slices: list[SliceHeader] = []
    left_out: list[str] = []
    not_dicom = other = 0
    for number, source in enumerate(sources):
        try:
            check_inflated(source, budget_mb)
            found = _read(source, number)
        except InvalidDicomError:
            # Folders carry readme files and thumbnails; they are counted, not refused.
            source.check_whole()
            not_dicom += 1
            continue
        except CanalwiseError:
            raise
        except Exception as problem:
            # A hostile header can fail anywhere in the parser, and its own text may name the patient.
            lacks = str(problem) if isinstance(problem, _Lacks) else ""
            left_out.append(f"file {number + 1} of {len(sources)} " + (f"lacks {lacks}" if lacks else "damaged"))
            continue
        other += not found
        slices += found
    if len(left_out) > LEFT_OUT_FRAC * len(slices):
        raise damaged_files(left_out)
    if not slices:
        raise BadFile(
            "the scan",
            "must hold CT or MR slices with a position in the patient",
            got=f"{not_dicom} files that are not DICOM, {other} DICOM objects of other kinds",
            do="Give the folder of the CT series.",
        )
    return Headers(tuple(slices), not_dicom, other, tuple(left_out))


def damaged_files(left_out: Sequence[str], without: str = "") -> BadFile:
    """The refusal that names files that cannot be used, and what the stack lacks without them.

    >>> damaged_files(["1.dcm", "2.dcm"]).got
    '1.dcm, 2.dcm'
    """
    more = f" and {len(left_out) - FILES_NAMED} more" if len(left_out) > FILES_NAMED else ""
    named = ", ".join(left_out[:FILES_NAMED]) + more
    return BadFile(
        "a DICOM file",
        "must have a whole header that says where its slice lies",
        got=f"{named}{f'; without it {without}' if without else ''}",
        do="Copy or export the series again.",
    )


def _read(source: DicomSource, number: int) -> list[SliceHeader]:
    """The slices in a file; raises _Lacks, or whatever a damaged header makes pydicom raise."""
    with source.beginning() as file, warnings.catch_warnings():
        # pydicom warns with the offending value, which may be a name, whenever one is looked at.
        warnings.simplefilter("ignore")
        header = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=list(TAGS))
        header.decode()
        found = list(_slices(header, number))
        # Left out silently, a slice cut short at the end of the stack would never be missed.
        if not found and _is_unplaced(header):
            raise _Lacks("ImagePositionPatient" if "Rows" in header else "")
        return found


def _slices(header: pydicom.Dataset, number: int) -> Iterator[SliceHeader]:
    if header.get("Modality") not in IMAGE_MODALITIES or "Rows" not in header or header.get("SamplesPerPixel", 1) != 1:
        return
    if "PerFrameFunctionalGroupsSequence" in header:
        yield from placed_slices(header, number)
    elif "ImagePositionPatient" in header and int(header.get("NumberOfFrames") or 1) == 1:
        yield _slice(header, number, 0, lambda name: header)


def placed_slices(header: pydicom.Dataset, number: int) -> Iterator[SliceHeader]:
    """The frames of a multi-frame object of any kind; raises whatever a damaged header makes pydicom raise."""
    frames = header.PerFrameFunctionalGroupsSequence
    if len(frames) != int(header.NumberOfFrames):
        raise ValueError("functional groups and frames differ in number")
    shared = (header.get("SharedFunctionalGroupsSequence") or [pydicom.Dataset()])[0]
    for index, frame in enumerate(frames):
        yield _slice(header, number, index, lambda name, frame=frame: _macro(frame, shared, name))


def _is_unplaced(header: pydicom.Dataset) -> bool:
    """Is it of a CT or MR image class, but without the size and place that such an image has?"""
    if header.file_meta.get("MediaStorageSOPClassUID") not in IMAGE_CLASSES:
        return False
    placed = "ImagePositionPatient" in header or "PerFrameFunctionalGroupsSequence" in header
    return not ("Modality" in header and "Rows" in header and placed)


def _macro(frame: pydicom.Dataset, shared: pydicom.Dataset, name: str) -> pydicom.Dataset:
    """The functional group of a frame, its own or the shared one; empty when neither has it."""
    for group in (frame, shared):
        if group.get(name):
            return group[name][0]
    return pydicom.Dataset()


def _slice(header: pydicom.Dataset, number: int, index: int, group: Any) -> SliceHeader:
    # PixelSpacing is (between rows, between columns): the second is the step along a row.
    orientation = _numbers(_stated(group("PlaneOrientationSequence"), "ImageOrientationPatient"), 6)
    between_rows, between_columns = _numbers(_stated(group("PixelMeasuresSequence"), "PixelSpacing"), 2)
    transform = group("PixelValueTransformationSequence")
    frame_type = group(f"{header.Modality}ImageFrameTypeSequence").get("FrameType") or header.get("ImageType") or []
    reported = [str(word) for word in frame_type]
    return SliceHeader(
        source=number,
        frame=index,
        series=f"{header.get('SeriesInstanceUID')}/{header.get('FrameOfReferenceUID')}",
        instance=str(header.get("SOPInstanceUID")),
        modality=str(header.Modality),
        scout="LOCALIZER" in reported,
        kind=tuple(reported) if "PerFrameFunctionalGroupsSequence" in header else (),
        shape=(int(header.Rows), int(header.Columns)),
        position_ras_mm=_numbers(_stated(group("PlanePositionSequence"), "ImagePositionPatient"), 3) * LPS_TO_RAS,
        row_ras=orientation[:3] * LPS_TO_RAS,
        column_ras=orientation[3:] * LPS_TO_RAS,
        spacing_mm=np.array([between_columns, between_rows]),
        rescale=_rescale(transform),
        rescale_type=str(transform.get("RescaleType") or ""),
        padding=_padding(header),
        kernel=str(header.get("ConvolutionKernel") or "")[:16],
        lossy=header.get("LossyImageCompression") == "01",
        patient=_patient(header),
        echo_ms=_time_ms(group("MREchoSequence").get("EffectiveEchoTime") or header.get("EchoTime")),
        repetition_ms=_time_ms(
            group("MRTimingAndRelatedParametersSequence").get("RepetitionTime") or header.get("RepetitionTime")
        ),
    )


def _patient(header: pydicom.Dataset) -> str:
    """A digest of whom the header names, the same for all slices of one patient; it identifies nobody."""
    said = f"{header.get('PatientID') or ''}\n{header.get('PatientName') or ''}".strip()
    return hashlib.sha256(said.encode()).hexdigest() if said else ""


def _time_ms(value: Any) -> float | None:
    """A time of the sequence; None where it is not stated or is no number."""
    try:
        found = float(value)
    except (TypeError, ValueError):
        return None
    return found if np.isfinite(found) and found > 0 else None


def _stated(group: pydicom.Dataset, name: str) -> Any:
    """What the header says under a name; raises _Lacks where it says nothing."""
    value = group.get(name)
    if value is None:
        raise _Lacks(name)
    return value


def _rescale(transform: pydicom.Dataset) -> tuple[float, float] | None:
    slope, intercept = transform.get("RescaleSlope"), transform.get("RescaleIntercept")
    return None if slope is None or intercept is None else (float(slope), float(intercept))


def _padding(header: pydicom.Dataset) -> int | None:
    value = header.get("PixelPaddingValue")
    return None if value is None else int(value)


def _numbers(values: Any, count: int) -> Float:
    numbers = np.array([float(value) for value in values])
    if numbers.shape != (count,) or not np.isfinite(numbers).all():
        raise ValueError(f"{count} finite numbers are needed")
    return numbers
