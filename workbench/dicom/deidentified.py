"""Headers and images of a source without identity, after the Basic Application Level Confidentiality Profile.

PS3.15 annex E (https://dicom.nema.org/medical/dicom/current/output/chtml/part15/chapter_E.html) lists what must be
removed or replaced. Here it is the reverse: only the attributes below are carried over, and everything else,
private attributes and overlays among it, stays behind. What the profile would remove is therefore never copied, also
where a later edition names more.
"""

from __future__ import annotations

from collections.abc import Sequence

from pydicom.dataset import Dataset
from pydicom.uid import UID, CTImageStorage, MRImageStorage

from canalwise.recon.errors import BadFile
from canalwise.workbench.dicom.identity import DeidentificationMethod, StudyIdentity, begun, uid_of

KEPT = (
    "ImageType", "InstanceNumber", "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing",
    "SliceThickness", "SpacingBetweenSlices", "SliceLocation", "Rows", "Columns", "SamplesPerPixel",
    "PhotometricInterpretation", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation",
    "PixelPaddingValue", "RescaleSlope", "RescaleIntercept", "RescaleType", "WindowCenter", "WindowWidth", "KVP",
    "ConvolutionKernel", "GantryDetectorTilt", "PatientPosition", "BodyPartExamined", "LossyImageCompression",
    "LossyImageCompressionRatio", "LossyImageCompressionMethod", "BurnedInAnnotation", "ScanningSequence",
    "SequenceVariant", "ScanOptions", "MRAcquisitionType", "EchoTime", "RepetitionTime", "EchoTrainLength",
    "InversionTime", "FlipAngle", "MagneticFieldStrength",
)  # fmt: skip
"""What an image of a source keeps: its pixels' meaning, place and how it was taken; no name, date, text or private
attribute."""

OVERLAY_GROUPS = range(0x6000, 0x6020, 2)

WORDS_OF_TYPE = 3
"""Values of the image type that the standard names (PS3.3 C.7.6.1.1.2, C.8.2.1.1.1); later ones are a maker's own."""

TYPE_TWO = {
    CTImageStorage: ("KVP", "PositionReferenceIndicator", "AcquisitionNumber"),
    MRImageStorage: ("EchoTime", "RepetitionTime", "EchoTrainLength", "ScanOptions", "MRAcquisitionType",
                     "PositionReferenceIndicator"),
}  # fmt: skip
"""Attributes that must be there, if only empty."""

BASIC = ("113100", "Basic Application Confidentiality Profile")
RETAIN_UIDS = ("113110", "Retain UIDs Option")


def method_of(new_uids: bool) -> DeidentificationMethod:
    """How a source is freed of identity: all UIDs replaced, or kept where a person requested to refer to the source.

    >>> [code for code, _ in method_of(new_uids=False).codes]
    ['113100', '113110']
    """
    words = "PS3.15 E.2, a list of what is kept" + ("" if new_uids else "; UIDs as requested")
    return DeidentificationMethod(words, (BASIC,) if new_uids else (BASIC, RETAIN_UIDS))


def without_identity(source: Dataset, identity: StudyIdentity, key: str, new_uids: bool) -> Dataset:
    """The header of a CT or MR image without identity, pixels left out.

    Parameters
    ----------
    key : the case's checksum, with which replaced UIDs are made, so that nobody finds them from the old ones

    Raises BadFile for an image of another kind.
    """
    sop_class = UID(str(source.get("SOPClassUID")))
    if sop_class not in TYPE_TWO:
        raise BadFile(
            "the source",
            "must be a classic CT or MR series, one image a file",
            got="images of another kind",
            do="Export without --source, or give the series as classic images.",
        )
    uids = [str(source.get(name)) for name in ("SOPInstanceUID", "SeriesInstanceUID")]
    sop_uid, series = (replaced_uid(uid, key) for uid in uids) if new_uids else uids
    made = begun(identity, sop_class, sop_uid, series, str(source.Modality))
    made.FrameOfReferenceUID = identity.frame_of_reference_uid
    # The software that wrote this did not take the image; who did is not stated.
    made.Manufacturer, made.SeriesNumber = "", 1
    for name in ("ManufacturerModelName", "SoftwareVersions", "DeviceSerialNumber"):
        delattr(made, name)
    for name in KEPT:
        if source.get(name) is not None:
            setattr(made, name, source.get(name))
    made.ImageType = [str(word) for word in made.get("ImageType") or ["ORIGINAL", "PRIMARY", "OTHER"]][:WORDS_OF_TYPE]
    for name in TYPE_TWO[sop_class]:
        if name not in made:
            setattr(made, name, "")
    return made


def replaced_uid(uid: str, key: str) -> str:
    """The UID that takes another's place, the same wherever that one stands.

    >>> replaced_uid("1.2.3", "key") == replaced_uid("1.2.3", "key"), replaced_uid("1.2.3", "key")[:5]
    (True, '2.25.')
    """
    return uid_of(key, "replaced", uid)


def burned_in_warnings(headers: Sequence[Dataset]) -> tuple[str, ...]:
    """Warnings about words that may stand in the pixels, where no list of attributes finds them.

    >>> len(burned_in_warnings([Dataset()]))
    0
    """
    said = sum(header.get("BurnedInAnnotation") == "YES" for header in headers)
    overlays = sum(any(header.group_dataset(group) for group in OVERLAY_GROUPS) for header in headers)
    found = {
        f"{said} of {len(headers)} images of the source say that words are burned into their pixels: they may name the "
        "patient. Look at them before they leave the house.": said,
        f"{overlays} images of the source carry overlays, which were left out.": overlays,
    }
    return tuple(sentence for sentence, count in found.items() if count)
