"""DICOM segmentation objects of label maps and of masks that overlap, by highdicom."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import highdicom as hd
import numpy as np
import numpy.typing as npt
from highdicom.color import CIELabColor
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

from canalwise.recon.version import VERSION
from canalwise.workbench.dicom.frame_stack import FrameStack
from canalwise.workbench.dicom.identity import (
    BODY_PART,
    DUMMY_DATE,
    DUMMY_TIME,
    MAKER,
    SHORT_CAUTION,
    StudyIdentity,
    content_key,
    said_without_identity,
    uid_of,
    with_caution,
    with_own_codes,
)
from canalwise.workbench.dicom.segments import NamedSegment
from canalwise.workbench.style.palette import rgb_frac

SERIES_NUMBER = 20


def label_map_object(
    planes: npt.NDArray[np.uint16], found: Sequence[NamedSegment], stack: FrameStack, identity: StudyIdentity
) -> Dataset:
    """A label map as one: pixel values are the segments' own numbers, which other programs need not read yet.

    Parameters
    ----------
    planes : (slices, rows, columns) array of segment numbers
    """
    return _object(planes, "LABELMAP", found, stack, identity, "Label map of the case")


def binary_object(
    planes: npt.NDArray[np.bool_], found: Sequence[NamedSegment], stack: FrameStack, identity: StudyIdentity, what: str
) -> Dataset:
    """Masks, which may overlap, as one bit a pixel; segments are numbered 1, 2, 3 ... in their order.

    Parameters
    ----------
    planes : (slices, rows, columns, segments) array
    what : the series' description
    """
    return _object(planes.astype(np.uint8), "BINARY", _counted(found), stack, identity, what)


def numbered_object(
    planes: npt.NDArray[np.uint16], found: Sequence[NamedSegment], stack: FrameStack, identity: StudyIdentity, what: str
) -> Dataset:
    """A label map as binary segments numbered 1, 2, 3 ..., which all programs read.

    `planes` (slices, rows, columns) array of labels.
    """
    places = np.zeros(max((s.number for s in found), default=0) + 1, dtype=np.uint16)
    places[[s.number for s in found]] = np.arange(1, len(found) + 1)
    return _object(places[planes], "BINARY", _counted(found), stack, identity, what)


def _counted(found: Sequence[NamedSegment]) -> list[NamedSegment]:
    return [replace(segment, number=place) for place, segment in enumerate(found, start=1)]


def _object(
    pixels: npt.NDArray[Any],
    kind: str,
    found: Sequence[NamedSegment],
    stack: FrameStack,
    identity: StudyIdentity,
    what: str,
) -> Dataset:
    names = repr([(s.number, s.name) for s in found])
    series = uid_of(identity.study_uid, kind, what, names, stack.headers[0].SOPInstanceUID, content_key(pixels))
    with warnings.catch_warnings():
        # It warns of names and UIDs that are legal.
        warnings.simplefilter("ignore")
        made = hd.seg.Segmentation(
            source_images=list(stack.headers),
            pixel_array=pixels,
            segmentation_type=kind,
            segment_descriptions=[_description(segment, series) for segment in found],
            series_instance_uid=series,
            series_number=SERIES_NUMBER,
            sop_instance_uid=uid_of(series, "object"),
            instance_number=1,
            manufacturer=MAKER,
            manufacturer_model_name=MAKER,
            software_versions=VERSION,
            device_serial_number=VERSION,
            content_label="CANALWISE",
            content_description=SHORT_CAUTION,
            content_creator_name=None,
            series_description=what,
        )
    _settle(made, identity, uid_of(series, "dimensions"))
    return made


def _settle(made: Dataset, identity: StudyIdentity, dimensions_uid: str) -> None:
    """Takes out what differs from run to run, the times and a random UID, and adds the caution."""
    for item in (*made.DimensionOrganizationSequence, *made.DimensionIndexSequence):
        item.DimensionOrganizationUID = dimensions_uid
    made.ContentDate, made.ContentTime = DUMMY_DATE, DUMMY_TIME
    for keyword in ("InstanceCreationDate", "InstanceCreationTime", "SeriesDate", "SeriesTime"):
        made.pop(keyword, None)
    made.pop("ContributingEquipmentSequence", None)
    made.BurnedInAnnotation = "NO"
    made.BodyPartExamined = BODY_PART
    with_own_codes(made)
    said_without_identity(made, identity.method)
    with_caution(made)


def _description(segment: NamedSegment, series: str) -> hd.seg.SegmentDescription:
    code, kind = Code(*segment.code), Code(*segment.kind)
    region = None if segment.region is None else [Code(*segment.region)]
    made = hd.seg.SegmentDescription(
        segment_number=segment.number,
        segment_label=segment.name,
        segmented_property_category=kind,
        segmented_property_type=code,
        algorithm_type="SEMIAUTOMATIC",
        algorithm_identification=hd.AlgorithmIdentificationSequence(
            name=MAKER, version=VERSION, family=Code("123110", "DCM", "Artificial Intelligence")
        ),
        tracking_uid=uid_of(series, "segment", str(segment.number)),
        tracking_id=segment.name,
        anatomic_regions=region,
        display_color=CIELabColor.from_rgb(*(round(255 * share) for share in rgb_frac(segment.colour))),
    )
    return made
