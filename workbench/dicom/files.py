"""DICOM objects as bytes: the same object gives the same bytes."""

from __future__ import annotations

import io
import warnings

from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite
from pydicom.uid import UID

from canalwise.workbench.dicom.identity import MAKER, uid_of

IMPLEMENTATION_UID = UID(uid_of("implementation"))
"""Names the writer in the file's header; any UID of one's own will do (PS3.10 7.1)."""


def dicom_bytes(made: Dataset) -> bytes:
    """The object as a DICOM file (PS3.10), its preamble empty."""
    made.file_meta.MediaStorageSOPClassUID = made.SOPClassUID
    made.file_meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID
    made.file_meta.ImplementationClassUID, made.file_meta.ImplementationVersionName = IMPLEMENTATION_UID, MAKER.upper()
    file = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dcmwrite(file, made, enforce_file_format=True)
    return file.getvalue()
