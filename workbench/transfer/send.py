"""DICOM files to an archive by C-STORE."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset
from pynetdicom.association import Association
from pynetdicom.presentation import PresentationContext, build_context

from canalwise.recon.errors import BadFile
from canalwise.workbench.transfer.association import MOST_CONTEXTS, TransferRefused, associated, lost
from canalwise.workbench.transfer.peer import Peer

SUCCESS = 0x0000
WARNED = range(0xB000, 0xC000)
"""Stored, though with a remark (PS3.4 B.2.3)."""

MEANINGS = {
    0xA700: "out of resources",
    0xA900: "it does not know this kind of object",
    0xC000: "it cannot understand it",
    0x0122: "it does not take this kind of object",
    0x0124: "we are not authorised",
}
"""Statuses of a refusal in words (PS3.4 B.2.3, PS3.7 annex C)."""


@dataclass(frozen=True)
class Sent:
    """How many objects were stored, and how many of these with a remark."""

    stored: int
    remarked: int


@dataclass(frozen=True)
class _Kind:
    sop_class: str
    syntax: str


def dicom_files(place: Path) -> tuple[Path, ...]:
    """The DICOM files in a folder and below, or the file itself; raises BadFile where there are none."""
    paths = sorted(path for path in place.rglob("*") if path.is_file()) if place.is_dir() else [place]
    found = tuple(path for path in paths if _is_dicom(path))
    if not found:
        raise BadFile(
            "what is to be sent",
            "must be DICOM files, or a folder of them",
            got="none",
            do="Write them with 'canalwise export --format seg,rtstruct,images'.",
        )
    return found


def send(paths: Sequence[Path], peer: Peer, say: Callable[[int], None]) -> Sent:
    """Stores files on the other side; `say` is called with each.

    Raises
    ------
    BadFile : a damaged file, or more kinds of object than one association carries
    TransferRefused : the other side cannot be reached, or does not take one of them; how many it took is said
    """
    kinds = _kinds(paths)
    stored = remarked = 0
    with associated(peer, _contexts(set(kinds))) as link:
        for path in paths:
            status = _store(link, path, f"{stored} of {len(paths)} objects")
            stored, remarked = stored + 1, remarked + (status in WARNED)
            say(1)
    return Sent(stored, remarked)


def _contexts(kinds: set[_Kind]) -> list[PresentationContext]:
    # One context for each syntax: the other side may take a kind of object in one of them only.
    return [build_context(k.sop_class, k.syntax) for k in sorted(kinds, key=lambda k: (k.sop_class, k.syntax))]


def _kinds(paths: Sequence[Path]) -> list[_Kind]:
    metas = [pydicom.filereader.read_file_meta_info(path) for path in paths]
    kinds = [_Kind(str(meta.MediaStorageSOPClassUID), str(meta.TransferSyntaxUID)) for meta in metas]
    if len(set(kinds)) > MOST_CONTEXTS:
        raise BadFile("what is to be sent", f"must be of at most {MOST_CONTEXTS} kinds", got=len(set(kinds)))
    return kinds


def _store(link: Association, path: Path, done: str) -> int:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset: Dataset = pydicom.dcmread(path)
            answer = link.send_c_store(dataset)
    except ValueError:
        raise TransferRefused(
            "the other side",
            "must take every kind of object that is sent",
            got=f"{_kind_name(path)} refused after {done}",
            do="Send the other objects alone, or ask for that kind to be enabled there.",
        ) from None
    except Exception:
        raise BadFile("a file to be sent", "must be a whole DICOM file", got=f"a damaged one after {done}") from None
    if "Status" not in answer:
        raise lost(link, done)
    status = int(answer.Status)
    if status != SUCCESS and status not in WARNED:
        words = MEANINGS.get(status) or MEANINGS.get(status & 0xFF00) or MEANINGS.get(status & 0xF000)
        got = f"status {status:04X}{f', {words}' if words else ''}, for {_kind_name(path)} after {done}"
        raise TransferRefused("the other side", "must store what is sent", got=got, do="Ask who looks after it.")
    return status


def _kind_name(path: Path) -> str:
    return str(pydicom.filereader.read_file_meta_info(path).MediaStorageSOPClassUID.name)


def _is_dicom(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(132)[128:] == b"DICM"
