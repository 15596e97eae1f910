"""No identity of a source gets out: what is planted in it is looked for in all that is written."""

from __future__ import annotations

import base64
import gzip
import io
import json
import re
import zipfile

import numpy as np
import pydicom
import pypdf
import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pypdf.generic import StreamObject
from reportlab.pdfgen.canvas import Canvas

from canalwise.estimator.execution.uncertainty_values import ExecutionTrial
from canalwise.recon.case.folder import read_case
from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.intake.reader import read_scan
from canalwise.workbench.commands.main import main
from canalwise.workbench.dicom.identity import case_key
from canalwise.workbench.dicom.source_series import source_series
from canalwise.workbench.export import formats, shared_page
from canalwise.workbench.sheet import sheet
from canalwise.workbench.style.pdf import letters

UIDS = {name: f"1.2.826.0.1.77.{n}.4711" for n, name in enumerate(("study", "series", "frame", "instance"), start=1)}

PLANTED = {
    "PatientName": "Quxley^Vimbert",
    "PatientID": "PID-8841733",
    "PatientBirthDate": "19470613",
    "PatientBirthTime": "034417",
    "OtherPatientIDs": "OLD-5529917",
    "PatientAddress": "17 Zwickelgasse",
    "PatientTelephoneNumbers": "555-0192837",
    "PatientComments": "sister of Frau Drosselbart",
    "PatientMotherBirthName": "Kravchukova",
    "StudyDate": "20190321",
    "SeriesDate": "20190322",
    "AcquisitionDate": "20190323",
    "ContentDate": "20190324",
    "AccessionNumber": "ACC-662931",
    "StudyID": "STU-90817",
    "ReferringPhysicianName": "Obermayr^Tankred",
    "OperatorsName": "Lundqvist^Ebba",
    "InstitutionName": "Klinik Hinterwaldstetten",
    "StationName": "CTWARD7B",
    "DeviceSerialNumber": "SN-77120934",
    "StudyDescription": "LWS fuer Quxley",
    "SeriesDescription": "axial Vimbert 0.6",
    "ProtocolName": "wirbel_quxprotokoll",
    "ImageComments": "seen by Dr Pfefferkorn",
    "RequestingService": "Ambulanz Siebenschlaefer",
    "MedicalRecordLocator": "Regal 44 Fach 12",
}
"""Keyword -> a word that stands nowhere else."""

PRIVATE, NESTED, OVERLAY = "privat-Nachtigall", "nested-Eichendorff", b"overlay-Mondschein--"
FOLDER, FILE = "Quxley_Vimbert_1947", "Drosselbart"


def _planted(dataset: Dataset, number: int) -> None:
    for keyword, word in PLANTED.items():
        setattr(dataset, keyword, word)
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID = UIDS["study"], UIDS["series"]
    dataset.FrameOfReferenceUID, dataset.SOPInstanceUID = UIDS["frame"], f"{UIDS['instance']}.{number}"
    dataset.private_block(0x0011, "SECRET MAKER", create=True).add_new(0x01, "LO", PRIVATE)
    item = Dataset()
    item.CodeMeaning = NESTED
    dataset.ProcedureCodeSequence = Sequence([item])
    dataset.add_new(0x60003000, "OW", OVERLAY)
    dataset.ImageType = [*dataset.ImageType, "VIMBERT"]
    dataset.BurnedInAnnotation = "YES"


@pytest.fixture(scope="module")
def source(exported, tmp_path_factory):
    """The toy's images as a source full of identifiers."""
    folder = tmp_path_factory.mktemp("source") / FOLDER
    folder.mkdir()
    for number, path in enumerate(sorted((exported[0] / "dicom" / "images").iterdir()), start=1):
        dataset = pydicom.dcmread(path)
        _planted(dataset, number)
        dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
        dataset.save_as(folder / f"{FILE}{number:03d}.dcm")
    return folder


@pytest.fixture(scope="module")
def built(source, exported, tmp_path_factory):
    """A case built from that source by the command, its labels given."""
    folder = tmp_path_factory.mktemp("built") / "case"
    labels = str(exported[0] / "labels.nii.gz")
    assert main(["build", str(source), "--out", str(folder), "--labels", labels, "--json"]) == 0
    return folder


def _words() -> set[bytes]:
    texts = {word for value in PLANTED.values() for word in value.replace("^", " ").split() if len(word) > 5}
    texts |= {PRIVATE, NESTED, "SECRET MAKER", FOLDER, FILE, "VIMBERT", *UIDS.values()}
    return {text.encode() for text in texts} | {OVERLAY}


def _unpacked(path) -> bytes:
    content = path.read_bytes()
    if path.suffix == ".gz":
        content += gzip.decompress(content)
    if path.suffix == ".3mf":
        with zipfile.ZipFile(path) as package:
            content += b"".join(package.read(name) for name in package.namelist())
    for packed in re.findall(rb'octet-stream"[^>]*>([^<]+)<', content):
        content += gzip.decompress(base64.b64decode(packed))
    if (start := content.find(b"%PDF")) >= 0:  # of its own, or encapsulated in a DICOM file
        content += _pdf_content(content[start:])
    return content


def _pdf_content(content: bytes) -> bytes:
    """What a PDF shows and holds: its text, whose fonts number letters in their own way, and every stream unpacked."""
    reader = pypdf.PdfReader(io.BytesIO(content))
    text = "".join(page.extract_text() for page in reader.pages) + str(reader.metadata)
    streams = [
        held.get_data() for number in reader.xref[0] if isinstance(held := reader.get_object(number), StreamObject)
    ]
    assert any(len(stream) > 1000 for stream in streams)
    return b"".join([text.encode(), "".join(text.split()).encode(), *streams])


def _found(folder, words) -> dict[str, list[bytes]]:
    """File -> words that stand in it or in its name, upper or lower case."""
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        content = (_unpacked(path) + path.name.encode()).lower()
        if hits := [word for word in words if word.lower() in content]:
            found[path.name] = hits
    return found


def test_the_search_finds_what_stands_in_a_pdf():
    buffer = io.BytesIO()
    page = Canvas(buffer)
    page.setFont(letters(), 5)
    for n, word in enumerate(sorted(_words())):
        page.drawString(30, 10 + 8 * n, word.decode())
    page.save()
    found = _pdf_content(buffer.getvalue()).lower()
    assert [word for word in _words() if word.lower() not in found] == []
    assert sum(word.lower() in buffer.getvalue().lower() for word in _words()) == 0  # packed, none shows


def test_no_sheet_shows_the_patient(source, built, tmp_path, monkeypatch):
    plan, drawn = ["--level", "L3-L4", "--side", "left"], []
    draw = sheet.sheet_of
    monkeypatch.setattr(sheet, "sheet_of", lambda *given, **more: drawn.append(draw(*given, **more)) or drawn[0])
    assert main(["sheet", str(built), *plan, "--out", str(tmp_path / "sheet.pdf")]) == 0
    monkeypatch.setattr(formats, "estimate_of", lambda *_: None)
    monkeypatch.setattr(formats, "sheet_of", lambda *_: drawn[0])  # drawn once for both
    argv = ["export", str(built), "--out", str(tmp_path / "out"), "--format", "sheet", *plan]
    assert main([*argv, "--source", str(source), "--new-uids"]) == 0
    written = [tmp_path / "sheet.pdf", tmp_path / "out" / "dicom" / "L3-L4-left-sheet.dcm"]
    assert all(b"L3-L4" in _unpacked(path) and b"LEFT" in _unpacked(path) for path in written)
    assert _found(tmp_path, _words()) == {}


FORMATS = "stl,ply,3mf,glb,nifti,seg,seg-label-map,rtstruct,images,page"


def test_there_are_enough_identifiers_and_the_search_finds_them(source):
    words = _words()
    assert len(PLANTED) + len(UIDS) >= 21
    found = _found(source, words)
    assert {word for hits in found.values() for word in hits} >= words - {FOLDER.encode()}


def test_nothing_gets_out_when_uids_are_replaced(source, built, tmp_path, capfdbinary, monkeypatch):
    monkeypatch.setattr(shared_page, "USUAL_EXECUTIONS", ExecutionTrial(2))  # numbers are no concern of this test
    plan = ["--level", "L3-L4", "--side", "left"]
    argv = ["export", str(built), "--out", str(tmp_path / "out"), "--format", FORMATS, *plan]
    assert main([*argv, "--source", str(source), "--new-uids"]) == 0
    printed = capfdbinary.readouterr()
    assert b"burned into their pixels" in printed.err
    words = _words()
    assert _found(tmp_path / "out", words) == {}
    assert _found(built, words) == {}
    assert [word for word in words if word.lower() in (printed.out + printed.err).lower()] == []
    # The page lets a browser ask for nothing, and is read-only.
    shared = (tmp_path / "out" / "L3-L4-left.html").read_text()
    assert "default-src 'none'" in shared
    assert "connect-src" not in shared
    assert re.findall(r'(?:src|href|action)="(?!data:)', shared) == []
    # The copies are still the scan, and the rest refers to them.
    scan = read_scan(tmp_path / "out" / "dicom" / "images")
    assert np.array_equal(scan.voxels, read_case(built).scan.voxels)


def test_references_keep_the_uids_that_were_requested_and_nothing_else(source, built, tmp_path):
    argv = ["export", str(built), "--out", str(tmp_path / "out"), "--format", "seg,rtstruct,images"]
    assert main([*argv, "--source", str(source), "--json"]) == 0
    requested = {uid.encode() for uid in UIDS.values()}
    assert _found(tmp_path / "out", _words() - requested) == {}
    contours = pydicom.dcmread(tmp_path / "out" / "dicom" / "contours.dcm")
    assert contours.StudyInstanceUID == UIDS["study"]
    assert contours.ReferencedFrameOfReferenceSequence[0].FrameOfReferenceUID == UIDS["frame"]
    for name in ("contours.dcm", "anatomy-seg.dcm", "images/0001.dcm"):
        dataset = pydicom.dcmread(tmp_path / "out" / "dicom" / name)
        codes = [item.CodeValue for item in dataset.DeidentificationMethodCodeSequence]
        assert codes == ["113100", "113110"]
        assert (dataset.PatientIdentityRemoved, dataset.LongitudinalTemporalInformationModified) == ("YES", "REMOVED")


def test_other_commands_tell_nothing_either(built, tmp_path, capfdbinary):
    plan = ["--level", "L3-L4", "--side", "left"]
    assert main(["measure", str(built), "--json"]) == 0
    assert main(["estimate", str(built), *plan, "--no-intervals"]) == 0
    printed = capfdbinary.readouterr()
    words = _words()
    assert _found(built, words) == {}
    assert [word for word in words if word.lower() in (printed.out + printed.err).lower()] == []


def test_another_patients_series_is_refused(source, built, tmp_path):
    case = read_case(built)
    other = tmp_path / "other"
    other.mkdir()
    for path in source.iterdir():
        dataset = pydicom.dcmread(path)
        if dataset.InstanceNumber == 30:
            pixels = dataset.pixel_array.copy()
            pixels[40:44, 30:34] += 9
            dataset.PixelData = pixels.tobytes()
        dataset.save_as(other / path.name)
    with pytest.raises(BadFile, match="must be the series that the case was built from"):
        source_series(other, case.scan, case_key(case), series=None, new_uids=False)
    for path in other.iterdir():
        dataset = pydicom.dcmread(path)
        dataset.ImagePositionPatient = [float(dataset.ImagePositionPatient[0]) + 0.4, *dataset.ImagePositionPatient[1:]]
        dataset.save_as(path)
    with pytest.raises(BadGeometry, match=r"0\.40 voxels off"):
        source_series(other, case.scan, case_key(case), series=None, new_uids=False)


def test_options_that_need_a_source_say_so(built, tmp_path, capsys):
    assert main(["export", str(built), "--out", str(tmp_path / "out"), "--new-uids"]) == 2
    assert "--source" in capsys.readouterr().err
    assert main(["export", str(built), "--out", str(tmp_path / "out"), "--source", str(tmp_path / "none")]) == 3
    reported = json.dumps(capsys.readouterr().err)
    assert "Traceback" not in reported
    assert not (tmp_path / "out").exists()
