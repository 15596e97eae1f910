"""canalwise send: DICOM objects to an archive."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.console.options import add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb
from canalwise.workbench.transfer.options import add_peer, peer_of

ABOUT = """\
Send DICOM files to an archive or workstation (C-STORE). Nothing else of canalwise uses the network.
What 'canalwise export' writes names nobody; an archive files it under the patient only where it was
exported with --source, by the study's UID.

examples:
  canalwise send export/dicom --to archive.example:11112 --called ARCHIVE
  canalwise send export/dicom --to archive.example:2762 --called ARCHIVE --tls-ca hospital.pem

prints how many objects were stored. Exit status 3 where the other side cannot be reached, refuses
us, or does not take an object; those stored before stay there.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """FOLDER and the other side."""
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="a DICOM file, or a folder with DICOM files")
    add_peer(parser, "--to")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Sends the files."""
    from canalwise.workbench.transfer.send import dicom_files, send

    voice = CommandOutput(args.json)
    peer = peer_of(args)
    paths = dicom_files(args.folder)
    with voice.counting("sending", len(paths)) as progress:
        sent = send(paths, peer, progress)
    document = {"schema": "canalwise.sent/1", "stored": sent.stored, "with_a_remark": sent.remarked}
    remark = f", {sent.remarked} of them with a remark" if sent.remarked else ""
    voice.result(document, [f"Stored {sent.stored} objects{remark}."])
    return 0


VERB = Verb("send", "DICOM objects to an archive over the network", ABOUT, options, run)
"""Requested by name only; no other verb talks to a network."""
