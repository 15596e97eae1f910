"""DICOM RT structure sets: closed planar contours of masks on the planes of an image series.

Modules: PS3.3 A.19.3, C.8.8.5 structure set, C.8.8.6 ROI contour, C.8.8.8 RT ROI observations
(https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.8.8.6.html).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.uid import RTStructureSetStorage

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.grid import Float
from canalwise.workbench.dicom.contours import outlines_of
from canalwise.workbench.dicom.frame_stack import RAS_TO_LPS, FrameStack, decimals
from canalwise.workbench.dicom.identity import (
    StudyIdentity,
    begun,
    coded,
    content_key,
    referenced,
    uid_of,
    with_own_codes,
)
from canalwise.workbench.dicom.segments import NamedSegment
from canalwise.workbench.style.palette import rgb_frac

SERIES_NUMBER = 30
STUDY_CLASS = "1.2.840.10008.3.1.2.3.1"
"""Detached Study Management, which the standard keeps for this reference though it is retired."""

Region = tuple[NamedSegment, npt.NDArray[np.bool_]]
"""A segment and its (slices, rows, columns) mask."""


def structure_set(regions: Sequence[Region], stack: FrameStack, identity: StudyIdentity, what: str) -> Dataset:
    """The structure set of some regions; each ROI's number is its segment's.

    Parameters
    ----------
    what : the set's label, at most 16 characters
    """
    key = repr([(segment.number, segment.name, content_key(mask)) for segment, mask in regions])
    series = uid_of(identity.study_uid, "structure set", what, key, stack.headers[0].SOPInstanceUID)
    made = begun(identity, RTStructureSetStorage, uid_of(series, "object"), series, "RTSTRUCT")
    made.SeriesNumber, made.InstanceNumber, made.OperatorsName = SERIES_NUMBER, 1, ""
    made.FrameOfReferenceUID, made.PositionReferenceIndicator = identity.frame_of_reference_uid, ""
    made.StructureSetLabel, made.StructureSetName = what, what
    made.StructureSetDescription = CAUTION
    # Required, may be empty: a true date would differ from run to run.
    made.StructureSetDate, made.StructureSetTime = "", ""
    made.ReferencedFrameOfReferenceSequence = [_frame_of_reference(stack, identity)]
    made.StructureSetROISequence = [_roi(segment, identity) for segment, _ in regions]
    made.ROIContourSequence = [_contours(segment, mask, stack) for segment, mask in regions]
    made.RTROIObservationsSequence = [_observation(n, segment) for n, (segment, _) in enumerate(regions, start=1)]
    made.ApprovalStatus = "UNAPPROVED"
    with_own_codes(made)
    return made


def _frame_of_reference(stack: FrameStack, identity: StudyIdentity) -> Dataset:
    item, study, series = Dataset(), Dataset(), Dataset()
    item.FrameOfReferenceUID = identity.frame_of_reference_uid
    study.ReferencedSOPClassUID, study.ReferencedSOPInstanceUID = STUDY_CLASS, identity.study_uid
    series.SeriesInstanceUID = stack.headers[0].SeriesInstanceUID
    series.ContourImageSequence = [referenced(h.SOPClassUID, h.SOPInstanceUID) for h in stack.headers]
    study.RTReferencedSeriesSequence, item.RTReferencedStudySequence = [series], [study]
    return item


def _roi(segment: NamedSegment, identity: StudyIdentity) -> Dataset:
    item = Dataset()
    item.ROINumber, item.ROIName = segment.number, segment.name
    item.ReferencedFrameOfReferenceUID = identity.frame_of_reference_uid
    item.ROIGenerationAlgorithm = "SEMIAUTOMATIC"
    return item


def _contours(segment: NamedSegment, mask: npt.NDArray[np.bool_], stack: FrameStack) -> Dataset:
    item = Dataset()
    item.ReferencedROINumber = segment.number
    item.ROIDisplayColor = [round(255 * share) for share in rgb_frac(segment.colour)]
    made = [
        _contour(points, stack.headers[k])
        for k in np.flatnonzero(mask.any(axis=(1, 2)))
        for points in _places_lps(mask[k], stack, int(k))
    ]
    for number, contour in enumerate(made, start=1):
        contour.ContourNumber = number
    item.ContourSequence = made
    return item


def _places_lps(mask: npt.NDArray[np.bool_], stack: FrameStack, number: int) -> Iterator[Float]:
    """(N, 3) array, LPS mm, of each outline in a plane."""
    for outline in outlines_of(mask):
        index = np.column_stack([outline, np.full(len(outline), float(number))])
        yield stack.grid.world_mm(index) * RAS_TO_LPS


def _contour(points: Float, header: Dataset) -> Dataset:
    item = Dataset()
    item.ContourImageSequence = [referenced(header.SOPClassUID, header.SOPInstanceUID)]
    item.ContourGeometricType, item.NumberOfContourPoints = "CLOSED_PLANAR", len(points)
    item.ContourData = decimals(np.round(points, 4).reshape(-1))
    return item


def _observation(number: int, segment: NamedSegment) -> Dataset:
    item = Dataset()
    item.ObservationNumber, item.ReferencedROINumber = number, segment.number
    item.RTROIInterpretedType, item.ROIInterpreter = "", ""
    item.RTROIIdentificationCodeSequence = [coded(*segment.code)]
    return item
