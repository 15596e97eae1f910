"""Who a written DICOM object is: UIDs that follow from its content, a patient without a name, and what it is for.

UIDs under 2.25 are made from a UUID (DICOM PS3.5 B.2,
https://dicom.nema.org/medical/dicom/current/output/chtml/part05/sect_B.2.html); ours from a name-based one (RFC 9562,
version 5), so that the same case gives the same UIDs and another case never does.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from canalwise.recon.case.folder import Case
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.version import VERSION

NAMESPACE = uuid.uuid5(uuid.NAMESPACE_OID, "canalwise exported DICOM objects")

MAKER = "canalwise"
NOBODY = "Anonymous^"
BODY_PART = "LSPINE"
"""Lumbar spine, as PS3.16 annex L writes it; unpaired, so that no laterality is required."""

OWN_SCHEME = "99CANALWISE"
DUMMY_DATE, DUMMY_TIME = "20000101", "000000"
"""Stands where DICOM asks for a date of content: a true one would differ from run to run and tell of the patient."""

SHORT_CAUTION = "Not a medical device. Check against the original images."
"""Where the format has room for 64 characters."""

LONGEST_NAME = 64
"""Characters of an LO value (PS3.5 6.2)."""


@dataclass(frozen=True)
class StudyIdentity:
    """Patient and study that all objects of one export belong to.

    Parameters
    ----------
    patient_id : made from the case's checksum
    study_uid, frame_of_reference_uid : our own, or the source's where a person requested it
    method : how identity was removed; empty where there was none to remove
    """

    patient_id: str
    study_uid: str
    frame_of_reference_uid: str
    method: DeidentificationMethod | None = None


@dataclass(frozen=True)
class DeidentificationMethod:
    """How identity was taken out of a source, as PS3.15 annex E requires it to be stated.

    Parameters
    ----------
    words : for people
    codes : (value, meaning) of CID 7050
    """

    words: str
    codes: tuple[tuple[str, str], ...]


def uid_of(*parts: str) -> str:
    """A UID that these words, and no others, give.

    >>> uid_of("a", "b") == uid_of("a", "b"), uid_of("a", "b") == uid_of("ab"), uid_of("a")[:5]
    (True, False, '2.25.')
    """
    return f"2.25.{uuid.uuid5(NAMESPACE, repr(parts)).int}"


def content_key(values: npt.NDArray[np.generic]) -> str:
    """The checksum of an array: its kind, shape and numbers.

    >>> content_key(np.zeros(2)) == content_key(np.zeros(2)), content_key(np.zeros(2)) == content_key(np.zeros((2, 1)))
    (True, False)
    """
    digest = hashlib.sha256(repr((values.dtype.str, values.shape)).encode())
    digest.update(np.ascontiguousarray(values).data)
    return digest.hexdigest()


def case_key(case: Case) -> str:
    """The checksum of a case's scan and anatomy, on which all its UIDs rest."""
    place = content_key(np.round(case.scan.grid.affine_ras_mm, 6))
    return hashlib.sha256(f"{case.anatomy_sha256} {place} {content_key(case.scan.voxels)}".encode()).hexdigest()


def own_identity(key: str) -> StudyIdentity:
    """A study of the case's own, that refers to no other.

    >>> own_identity("0123456789abcdef").patient_id
    'canalwise-0123456789ab'
    """
    return StudyIdentity(f"{MAKER}-{key[:12]}", uid_of(key, "study"), uid_of(key, "frame of reference"))


def begun(identity: StudyIdentity, sop_class: str, sop_uid: str, series_uid: str, modality: str) -> Dataset:
    """An object with patient, study, series and equipment, to which its own modules are added."""
    made = Dataset()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made.SpecificCharacterSet = "ISO_IR 192"
    made.SOPClassUID, made.SOPInstanceUID = sop_class, sop_uid
    made.StudyInstanceUID, made.SeriesInstanceUID, made.Modality = identity.study_uid, series_uid, modality
    made.PatientName, made.PatientID, made.PatientBirthDate, made.PatientSex = NOBODY, identity.patient_id, "", ""
    made.StudyDate, made.StudyTime, made.AccessionNumber, made.StudyID = "", "", "", ""
    made.ReferringPhysicianName, made.BodyPartExamined = "", BODY_PART
    made.Manufacturer, made.ManufacturerModelName, made.SoftwareVersions = MAKER, MAKER, VERSION
    made.DeviceSerialNumber = VERSION
    said_without_identity(made, identity.method)
    return made


def said_without_identity(made: Dataset, method: DeidentificationMethod | None) -> None:
    """Adds that the object names nobody, and by which method where there was a source (PS3.15 E.1.1, CID 7050)."""
    made.PatientIdentityRemoved = "YES"
    made.DeidentificationMethod = "Made from a case without identity" if method is None else method.words
    if method is not None:
        made.DeidentificationMethodCodeSequence = [coded(value, "DCM", meaning) for value, meaning in method.codes]
    made.LongitudinalTemporalInformationModified = "REMOVED"


def with_own_codes(made: Dataset) -> None:
    """Adds whose codes those of our own scheme are (PS3.3 C.12.1.1.6)."""
    item = Dataset()
    item.CodingSchemeDesignator, item.CodingSchemeName = OWN_SCHEME, "Labels of canalwise"
    item.CodingSchemeResponsibleOrganization = MAKER
    made.CodingSchemeIdentificationSequence = [item]


def coded(value: str, scheme: str, meaning: str) -> Dataset:
    """A code sequence item (PS3.3 8.8).

    >>> coded("122138", "DCM", "Canadian").CodeMeaning
    'Canadian'
    """
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning[:LONGEST_NAME]
    return item


def referenced(sop_class: str, sop_uid: str) -> Dataset:
    """An item that refers to another object."""
    item = Dataset()
    item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = sop_class, sop_uid
    return item


def with_caution(made: Dataset, words: Sequence[str] = ()) -> None:
    """Adds the caution as the image's comments, after `words`."""
    made.ImageComments = " ".join([*words, CAUTION])
