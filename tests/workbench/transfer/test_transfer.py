"""Sending and fetching against an archive of another library, on this machine's loopback."""

from __future__ import annotations

import gc
import json
import logging
import shutil
import socket
import ssl
import subprocess
import warnings
from contextlib import contextmanager
from copy import deepcopy

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.uid import CTImageStorage
from pynetdicom import AE, StoragePresentationContexts, evt
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
)

from canalwise.recon.intake.reader import read_scan
from canalwise.workbench.commands.main import main
from tests.recon.scans import body, write_series

LOOPBACK = "127.0.0.1"


@pytest.fixture(autouse=True)
def _unlogged():
    """Without records of the library's log, which hold on to sockets that it has given up."""
    log = logging.getLogger("pynetdicom")
    before = log.level
    log.setLevel(logging.CRITICAL + 1)
    yield
    log.setLevel(before)


@pytest.fixture(scope="module")
def series(tmp_path_factory):
    """A small CT series, and its objects, as an archive holds them."""
    folder = write_series(tmp_path_factory.mktemp("series") / "ct", body())
    datasets = [pydicom.dcmread(path) for path in sorted(folder.iterdir())]
    for dataset in datasets:
        dataset.StudyInstanceUID, dataset.AccessionNumber = "1.2.3.4", "4711"
    return folder, datasets


class Archive:
    """What the server was given, and what it gives."""

    def __init__(self, datasets=(), status=0x0000):
        self.stored, self.datasets, self.status = [], list(datasets), status
        self.move_to = None

    def store(self, event):
        self.stored.append(event.dataset)
        return self.status

    def find(self, event):
        query = event.identifier
        if query.get("AccessionNumber", "") not in ("", "4711"):
            return
        for uid in sorted({d.SeriesInstanceUID for d in self.datasets}):
            answer = Dataset()
            answer.QueryRetrieveLevel, answer.StudyInstanceUID = query.QueryRetrieveLevel, "1.2.3.4"
            if query.QueryRetrieveLevel == "SERIES":
                answer.SeriesInstanceUID, answer.Modality, answer.SeriesDescription = uid, "CT", "bone"
                answer.NumberOfSeriesRelatedInstances = 30
            yield 0xFF00, answer
            if query.QueryRetrieveLevel == "STUDY":
                return

    def get(self, event):
        wanted = [d for d in self.datasets if d.SeriesInstanceUID == event.identifier.SeriesInstanceUID]
        yield len(wanted)
        yield from ((0xFF00, d) for d in wanted)

    def move(self, event):
        yield self.move_to
        yield from self.get(event)


@contextmanager
def listening(archive, *, secured=None, reject=False):
    entity = AE(ae_title="ARCHIVE")
    entity.require_called_aet = reject
    entity.supported_contexts = [c for c in StoragePresentationContexts if "1.66" not in c.abstract_syntax[-6:]]
    entity.add_supported_context(CTImageStorage, scu_role=True, scp_role=True)
    entity.requested_contexts = StoragePresentationContexts
    for model in (
        StudyRootQueryRetrieveInformationModelFind,
        StudyRootQueryRetrieveInformationModelGet,
        StudyRootQueryRetrieveInformationModelMove,
    ):
        entity.add_supported_context(model)
    handlers = [(evt.EVT_C_STORE, archive.store), (evt.EVT_C_FIND, archive.find), (evt.EVT_C_GET, archive.get)]
    handlers.append((evt.EVT_C_MOVE, archive.move))
    server = entity.start_server((LOOPBACK, 0), block=False, evt_handlers=handlers, ssl_context=secured)
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        with warnings.catch_warnings():
            # The server leaves the socket of a failed handshake to Python, which closes it and warns.
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return probe.getsockname()[1]


def _send(folder, port, *more):
    return main(["send", str(folder), "--to", f"{LOOPBACK}:{port}", "--called", "ARCHIVE", "--timeout-s", "5", *more])


def _fetch(port, *more):
    return main(["fetch", "--from", f"{LOOPBACK}:{port}", "--called", "ARCHIVE", "--timeout-s", "5", *more])


def test_what_is_sent_arrives(series, capsys):
    archive = Archive()
    with listening(archive) as port:
        assert _send(series[0], port, "--json") == 0
    assert json.loads(capsys.readouterr().out) == {"schema": "canalwise.sent/1", "stored": 30, "with_a_remark": 0}
    assert {d.SOPInstanceUID for d in archive.stored} == {d.SOPInstanceUID for d in series[1]}
    sent = {d.SOPInstanceUID: d.PixelData for d in series[1]}
    assert all(d.PixelData == sent[d.SOPInstanceUID] for d in archive.stored)


@pytest.mark.parametrize("by", ["get", "move"])
def test_what_is_fetched_is_the_scan(series, tmp_path, by, capsys):
    archive = Archive(series[1])
    move = []
    if by == "move":
        archive.move_to = (LOOPBACK, _free_port())
        move = ["--listen", f"{LOOPBACK}:{archive.move_to[1]}"]
    with listening(archive) as port:
        assert _fetch(port, "--accession", "4711", "--out", str(tmp_path / "ct"), *move) == 0
    assert "patient's identity" in capsys.readouterr().err
    assert np.array_equal(read_scan(tmp_path / "ct").voxels, read_scan(series[0]).voxels)


def test_series_are_listed_without_names_and_chosen(series, tmp_path, capsys):
    other = [deepcopy(d) for d in series[1]]
    for dataset in other:
        dataset.SeriesInstanceUID = "1.2.3.4.5"
    with listening(Archive([*series[1], *other])) as port:
        assert _fetch(port, "--accession", "4711", "--list") == 0
        assert "1.2.3.4.5  CT, bone, 30 images" in capsys.readouterr().out
        assert _fetch(port, "--accession", "4711", "--out", str(tmp_path / "ct")) == 2
        assert "Add --series-uid" in capsys.readouterr().err
        assert _fetch(port, "--accession", "4712", "--out", str(tmp_path / "ct")) == 3
        assert "must know such a series" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_nobody_there_a_refusal_and_silence_are_distinguished(series, capsys):
    assert _send(series[0], _free_port()) == 3
    assert "no connection" in capsys.readouterr().err
    with listening(Archive(), reject=True) as port:
        assert _send(series[0], port, "--called", "SOMEONE") == 3
    assert "Check --called and --calling" in capsys.readouterr().err
    with socket.create_server((LOOPBACK, 0)) as mute:
        assert _send(series[0], mute.getsockname()[1], "--timeout-s", "0.5") == 3
    assert "no answer within 0.5 s" in capsys.readouterr().err


def test_an_object_that_is_not_taken_is_named(series, capsys):
    with listening(Archive(status=0xA700)) as port:
        assert _send(series[0], port) == 3
    error = capsys.readouterr().err
    assert "A700, out of resources, for CT Image Storage after 0 of 30 objects" in error
    with listening(Archive(status=0xB000)) as port:
        assert _send(series[0], port) == 0
    assert "30 of them with a remark" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("argv", "word"),
    [
        (["--to", "archive"], "HOST:PORT"),
        (["--to", "archive:0"], "HOST:PORT"),
        (["--to", "archive:104", "--called", "A" * 17], "title"),
        (["--to", "archive:104", "--timeout-s", "0"], "above 0"),
        (["--to", "archive:104", "--tls-cert", "own.pem"], "--tls-ca"),
        (["--to", "archive:104", "--tls-ca", "none.pem"], "PEM"),
    ],
)
def test_wrong_use_is_reported(series, argv, word, capsys):
    assert main(["send", str(series[0]), "--called", "ARCHIVE", *argv]) == 2
    assert word in capsys.readouterr().err


def test_a_question_must_name_a_study_exactly(tmp_path, capsys):
    assert _fetch(104, "--out", str(tmp_path / "a")) == 2
    assert "must name a study" in capsys.readouterr().err
    assert _fetch(104, "--patient-id", "*", "--list") == 2
    assert "exact" in capsys.readouterr().err


def test_a_folder_without_dicom_files_is_refused(tmp_path, capsys):
    (tmp_path / "readme.txt").write_text("hello")
    assert _send(tmp_path, 104) == 3
    assert "must be DICOM files" in capsys.readouterr().err


@pytest.mark.skipif(not shutil.which("openssl"), reason="needs the program openssl to make certificates")
def test_tls_is_spoken_and_an_unknown_certificate_refused(series, tmp_path, capsys):
    for name in ("good", "other"):
        subject = ["-subj", "/CN=localhost", "-addext", f"subjectAltName=IP:{LOOPBACK}"]
        made = [
            "openssl",
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-days",
            "2",
        ]
        files = ["-keyout", str(tmp_path / f"{name}.key"), "-out", str(tmp_path / f"{name}.pem")]
        subprocess.run([*made, *subject, *files], check=True, capture_output=True)
    secured = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    secured.load_cert_chain(tmp_path / "good.pem", tmp_path / "good.key")
    archive = Archive()
    with listening(archive, secured=secured) as port:
        assert _send(series[0], port, "--tls-ca", str(tmp_path / "good.pem")) == 0
        assert len(archive.stored) == 30
        assert _send(series[0], port, "--tls-ca", str(tmp_path / "other.pem")) == 3
        assert "certificate" in capsys.readouterr().err
        assert _send(series[0], port, "--timeout-s", "1") == 3
        assert "with TLS or without" in capsys.readouterr().err
    assert len(archive.stored) == 30
