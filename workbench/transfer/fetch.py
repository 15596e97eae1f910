"""A series from an archive: found by C-FIND, brought by C-GET or, to a port of ours, by C-MOVE."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import (
    AllTransferSyntaxes,
    CTImageStorage,
    EnhancedCTImageStorage,
    EnhancedMRImageStorage,
    LegacyConvertedEnhancedCTImageStorage,
    LegacyConvertedEnhancedMRImageStorage,
    MRImageStorage,
    RTStructureSetStorage,
    SegmentationStorage,
)
from pynetdicom import AE, evt
from pynetdicom.association import Association
from pynetdicom.pdu_primitives import SCP_SCU_RoleSelectionNegotiation
from pynetdicom.presentation import build_context, build_role
from pynetdicom.sop_class import (  # type: ignore[attr-defined]
    StudyRootQueryRetrieveInformationModelFind as StudyFind,
)
from pynetdicom.sop_class import (  # type: ignore[attr-defined]
    StudyRootQueryRetrieveInformationModelGet as StudyGet,
)
from pynetdicom.sop_class import (  # type: ignore[attr-defined]
    StudyRootQueryRetrieveInformationModelMove as StudyMove,
)

from canalwise.recon.errors import WrongUse
from canalwise.workbench.transfer.association import TransferRefused, associated, lost
from canalwise.workbench.transfer.peer import Peer

KINDS = (
    CTImageStorage,
    MRImageStorage,
    EnhancedCTImageStorage,
    EnhancedMRImageStorage,
    LegacyConvertedEnhancedCTImageStorage,
    LegacyConvertedEnhancedMRImageStorage,
    SegmentationStorage,
    RTStructureSetStorage,
)
"""What a case can be built from."""

SUCCESS, PENDING = 0x0000, (0xFF00, 0xFF01)
STUDY_KEYS = {"patient_id": "PatientID", "accession": "AccessionNumber", "study_uid": "StudyInstanceUID"}
MOST_STUDIES = 50
"""More studies than this are no answer to a question about one patient."""


@dataclass(frozen=True)
class FoundSeries:
    """A series on the other side; what it is, and no name.

    Parameters
    ----------
    images : how many it has, empty where the other side does not say
    """

    study_uid: str
    series_uid: str
    modality: str
    description: str
    images: str


@dataclass(frozen=True)
class SeriesQuestion:
    """Which series is wanted; at least one key of a study must be given.

    Parameters
    ----------
    modality : 'CT' or 'MR', empty for any
    """

    patient_id: str = ""
    accession: str = ""
    study_uid: str = ""
    series_uid: str = ""
    modality: str = ""

    def __post_init__(self) -> None:
        given = [getattr(self, name) for name in STUDY_KEYS]
        if not any(given):
            raise WrongUse(
                "the question", "must name a study", do="Give --patient-id, --accession or --study-uid, without *."
            )
        if any(wild in text for text in (*given, self.series_uid) for wild in "*?\\"):
            raise WrongUse("the question", "must be exact", got="*, ? or a backslash", do="Give whole values.")


def found_series(peer: Peer, question: SeriesQuestion) -> tuple[FoundSeries, ...]:
    """The series of the requested studies, in the order of their UIDs; raises TransferRefused."""
    with associated(peer, [build_context(StudyFind)]) as link:
        studies = {question.study_uid} if question.study_uid else set(_studies(link, question))
        if len(studies) > MOST_STUDIES:
            raise TransferRefused("the question", f"must name at most {MOST_STUDIES} studies", got=len(studies))
        found = [one for study in sorted(studies) for one in _series(link, study, question)]
    return tuple(sorted(found, key=lambda one: (one.study_uid, one.series_uid)))


def the_series(found: tuple[FoundSeries, ...]) -> FoundSeries:
    """The one series found; raises TransferRefused for none, WrongUse listing several."""
    if not found:
        raise TransferRefused(
            "the other side", "must know such a series", got="none", do="Check the values, and ask without --modality."
        )
    if len(found) > 1:
        listed = "; ".join(f"{one.series_uid}: {described(one)}" for one in found)
        raise WrongUse("the question", f"must name one series ({listed})", got=len(found), do="Add --series-uid.")
    return found[0]


def described(series: FoundSeries) -> str:
    """A series in a few words.

    >>> described(FoundSeries("1", "2", "CT", "bone 0.6", "312"))
    'CT, bone 0.6, 312 images'
    """
    images = f"{series.images} images" if series.images else ""
    return ", ".join(word for word in (series.modality, series.description, images) if word)


def brought_by_get(peer: Peer, series: FoundSeries, folder: Path, say: Callable[[int], None]) -> int:
    """Brings a series over the association that asks for it; how many images came. Raises TransferRefused."""
    contexts = [build_context(StudyGet), *(build_context(kind, list(AllTransferSyntaxes)) for kind in KINDS)]
    roles: list[SCP_SCU_RoleSelectionNegotiation] = [build_role(kind, scp_role=True) for kind in KINDS]
    kept = _Keeper(folder, say)
    with associated(peer, contexts, roles=roles, handlers=[(evt.EVT_C_STORE, kept)]) as link:
        _check_done(link, link.send_c_get(_wanted(series), StudyGet), kept, "C-GET")
    return kept.count


def brought_by_move(
    peer: Peer, series: FoundSeries, folder: Path, listen: tuple[str, int], say: Callable[[int], None]
) -> int:
    """Lets a series be sent to a port of ours, under our own title; how many images came. Raises TransferRefused.

    Parameters
    ----------
    listen : address and port on which we wait, as the other side knows them for our title
    """
    kept = _Keeper(folder, say)
    entity = AE(ae_title=peer.calling)
    for kind in KINDS:
        entity.add_supported_context(kind, list(AllTransferSyntaxes))
    try:
        server = entity.start_server(listen, block=False, evt_handlers=[(evt.EVT_C_STORE, kept)])
    except OSError:
        raise WrongUse("--listen", "must be a free port on this machine", got=listen[1]) from None
    assert server is not None  # it does not block
    try:
        with associated(peer, [build_context(StudyMove)]) as link:
            _check_done(link, link.send_c_move(_wanted(series), peer.calling, StudyMove), kept, "C-MOVE")
    finally:
        server.shutdown()
    return kept.count


class _Keeper:
    """Writes each object that comes into a folder; what the other side sends is not looked at."""

    def __init__(self, folder: Path, say: Callable[[int], None]) -> None:
        self.count = 0
        self._folder, self._say = folder, say

    def __call__(self, event: evt.Event) -> int:
        self.count += 1
        # Named by their order: a name or UID of the source has no place in a path.
        (self._folder / f"{self.count:05d}.dcm").write_bytes(event.encoded_dataset())
        self._say(1)
        return SUCCESS


def _wanted(series: FoundSeries) -> Dataset:
    query = Dataset()
    query.QueryRetrieveLevel = "SERIES"
    query.StudyInstanceUID, query.SeriesInstanceUID = series.study_uid, series.series_uid
    return query


def _studies(link: Association, question: SeriesQuestion) -> Iterator[str]:
    query = Dataset()
    query.QueryRetrieveLevel = "STUDY"
    for name, keyword in STUDY_KEYS.items():
        setattr(query, keyword, getattr(question, name))
    for answer in _answers(link, query):
        if answer.get("StudyInstanceUID"):
            yield str(answer.StudyInstanceUID)


def _series(link: Association, study_uid: str, question: SeriesQuestion) -> Iterator[FoundSeries]:
    query = Dataset()
    query.QueryRetrieveLevel, query.StudyInstanceUID = "SERIES", study_uid
    query.SeriesInstanceUID, query.Modality = question.series_uid, question.modality
    query.SeriesDescription, query.NumberOfSeriesRelatedInstances = "", ""
    for answer in _answers(link, query):
        series_uid = str(answer.get("SeriesInstanceUID") or "")
        # A server may answer more than was requested.
        wanted = question.series_uid in ("", series_uid) and question.modality in ("", str(answer.get("Modality")))
        if series_uid and wanted:
            words = (
                str(answer.get(k) or "") for k in ("Modality", "SeriesDescription", "NumberOfSeriesRelatedInstances")
            )
            yield FoundSeries(study_uid, series_uid, *words)


def _answers(link: Association, query: Dataset) -> Iterator[Dataset]:
    for status, answer in link.send_c_find(query, StudyFind):
        if "Status" not in status:
            raise lost(link, "the question")
        if status.Status in PENDING and answer is not None:
            yield answer
        elif status.Status not in (SUCCESS, *PENDING):
            raise _failed("C-FIND", status)


def _check_done(link: Association, answers: Iterator[tuple[Dataset, Any]], kept: _Keeper, what: str) -> None:
    for status, _ in answers:
        if "Status" not in status:
            raise lost(link, f"{kept.count} images")
        if status.Status in PENDING:
            continue
        left: Mapping[str, int] = {
            "failed": int(status.get("NumberOfFailedSuboperations") or 0),
            "missing": int(status.get("NumberOfCompletedSuboperations") or kept.count) - kept.count,
        }
        if status.Status != SUCCESS or left["failed"] > 0 or left["missing"] > 0 or not kept.count:
            raise _failed(what, status, f", {kept.count} images came, {left['failed']} failed")


def _failed(what: str, status: Dataset, more: str = "") -> TransferRefused:
    return TransferRefused(
        "the other side",
        f"must answer {what}",
        got=f"status {int(status.Status):04X}{more}",
        do="Ask who looks after it whether our title may do this; --listen asks it to send to us instead.",
    )
