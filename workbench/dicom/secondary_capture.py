"""Pictures as DICOM secondary captures, and pages as encapsulated PDF.

Modules: PS3.3 A.8.1 secondary capture image, A.45.1 encapsulated PDF
(https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_A.45.html).
"""

from __future__ import annotations

import hashlib
import io

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from pydicom.dataset import Dataset
from pydicom.uid import EncapsulatedPDFStorage, SecondaryCaptureImageStorage

from canalwise.workbench.dicom.identity import (
    DUMMY_DATE,
    DUMMY_TIME,
    LONGEST_NAME,
    StudyIdentity,
    begun,
    uid_of,
    with_caution,
)

PICTURES_NUMBER, PAGES_NUMBER = 40, 50

BAND_FRAC = 0.026
"""Size of the letters below a picture, as a share of its width: 80 characters fit (by eye)."""


def picture_object(png: bytes, caption: str, number: int, identity: StudyIdentity) -> Dataset:
    """A PNG as a colour picture; `caption` says what it is, `number` its place in the series."""
    pixels = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
    series = uid_of(identity.study_uid, "pictures")
    sop_uid = uid_of(series, caption, hashlib.sha256(pixels.tobytes()).hexdigest())
    made = begun(identity, SecondaryCaptureImageStorage, sop_uid, series, "OT")
    made.SeriesNumber, made.InstanceNumber, made.SeriesDescription = PICTURES_NUMBER, number, "Simulated pictures"
    made.ConversionType, made.ImageType = "WSD", ["DERIVED", "SECONDARY"]
    made.PatientOrientation = ""
    made.ContentDate, made.ContentTime = DUMMY_DATE, DUMMY_TIME
    made.DerivationDescription = caption
    made.Rows, made.Columns = pixels.shape[:2]
    made.SamplesPerPixel, made.PhotometricInterpretation, made.PlanarConfiguration = 3, "RGB", 0
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 8, 8, 7, 0
    # Nothing in the picture names the patient.
    made.BurnedInAnnotation = "NO"
    with_caution(made, (f"{caption}.",))
    made.PixelData = _even(pixels.tobytes())
    return made


def page_object(pdf: bytes, title: str, identity: StudyIdentity) -> Dataset:
    """A PDF as a document of the study."""
    series = uid_of(identity.study_uid, "pages")
    sop_uid = uid_of(series, title, hashlib.sha256(pdf).hexdigest())
    made = begun(identity, EncapsulatedPDFStorage, sop_uid, series, "DOC")
    made.SeriesNumber, made.InstanceNumber, made.SeriesDescription = PAGES_NUMBER, 1, title[:LONGEST_NAME]
    made.ConversionType = "WSD"
    made.ContentDate, made.ContentTime, made.AcquisitionDateTime = DUMMY_DATE, DUMMY_TIME, ""
    made.BurnedInAnnotation, made.DocumentTitle = "NO", title
    made.ConceptNameCodeSequence = []
    made.MIMETypeOfEncapsulatedDocument = "application/pdf"
    made.EncapsulatedDocumentLength = len(pdf)
    made.EncapsulatedDocument = _even(pdf)
    return made


def _even(content: bytes) -> bytes:
    """The bytes, with one more where they are odd in number (PS3.5 7.1.1)."""
    return content + b"\0" * (len(content) % 2)


def captioned(png: bytes, words: str) -> bytes:
    """A picture with a band below it that says, in the pixels, what it is not."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    font = ImageFont.load_default(BAND_FRAC * picture.width)
    left, top, right, bottom = font.getbbox(words)
    height = round(2 * (bottom - top))
    made = Image.new("RGB", (picture.width, picture.height + height), "black")
    made.paste(picture, (0, 0))
    at = ((picture.width - (right - left)) / 2, picture.height + (height - bottom - top) / 2)
    ImageDraw.Draw(made).text(at, words, fill="white", font=font)
    out = io.BytesIO()
    made.save(out, "PNG")
    return out.getvalue()
