"""canalwise fetch: a series from an archive."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.console.options import add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb
from canalwise.workbench.transfer.options import add_peer, peer_of
from canalwise.workbench.transfer.peer import address

ABOUT = """\
Bring one series of CT or MR images from an archive, to build a case from. Series are found by
C-FIND and brought by C-GET; an archive that gives nothing away but sends to known places is requested
by C-MOVE with --listen. Nothing else of canalwise uses the network.

examples:
  canalwise fetch --from archive.example:11112 --called ARCHIVE --accession 4711 --list
  canalwise fetch --from archive.example:11112 --called ARCHIVE --patient-id 123 --modality CT --out ct
  canalwise fetch --from archive.example:11112 --called ARCHIVE --study-uid 1.2.3 --series-uid 1.2.3.4 --out ct
  canalwise fetch --from archive.example:11112 --called ARCHIVE --accession 4711 --out ct --listen 0.0.0.0:11113

prints the series found, without names; with --out the images lie in that folder. They carry the
patient's identity as the archive gave them; 'canalwise build' leaves it behind.
"""

NOTE = (
    "The images carry the patient's identity; 'canalwise build' leaves it behind. Delete them when the case is built."
)


def options(parser: argparse.ArgumentParser) -> None:
    """What is wanted, where it goes, and the other side."""
    which = parser.add_argument_group("what is wanted")
    which.add_argument("--patient-id", default="", metavar="ID", help="the patient's number, whole")
    which.add_argument("--accession", default="", metavar="NUMBER", help="the examination's number, whole")
    which.add_argument("--study-uid", default="", metavar="UID", help="the study")
    which.add_argument("--series-uid", default="", metavar="UID", help="the series, where there are several")
    which.add_argument("--modality", choices=("CT", "MR"), default="", help="only series of that modality")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--list", action="store_true", help="only say which series there are")
    where.add_argument("--out", type=Path, metavar="FOLDER", help="the folder to write")
    parser.add_argument(
        "--listen", metavar="HOST:PORT", help="let it be sent here (C-MOVE), under our title (--calling)"
    )
    add_peer(parser, "--from")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Finds the series, and brings the one that is wanted."""
    from canalwise.recon.case.folder_writing import write_folder_atomic
    from canalwise.workbench.transfer.fetch import (
        SeriesQuestion,
        brought_by_get,
        brought_by_move,
        described,
        found_series,
        the_series,
    )

    voice = CommandOutput(args.json)
    peer = peer_of(args)
    listen = None if args.listen is None else address(args.listen)
    question = SeriesQuestion(args.patient_id, args.accession, args.study_uid, args.series_uid, args.modality)
    with voice.busy("asking"):
        found = found_series(peer, question)
    listed = [{"series_uid": one.series_uid, "description": described(one)} for one in found]
    if args.list:
        voice.result({"schema": "canalwise.series/1", "series": listed},
                     [f"{one.series_uid}  {described(one)}" for one in found] or ["No such series."])  # fmt: skip
        return 0
    series = the_series(found)
    with write_folder_atomic(args.out, False, marker="") as filling, voice.counting("fetching", 0) as progress:
        if listen is None:
            count = brought_by_get(peer, series, filling, progress)
        else:
            count = brought_by_move(peer, series, filling, listen, progress)
    voice.result({"schema": "canalwise.fetched/1", "series": listed, "images": count},
                 [f"Wrote {count} images to {args.out.name}."])  # fmt: skip
    voice.warn([NOTE])
    return 0


VERB = Verb("fetch", "a series from an archive over the network", ABOUT, options, run)
