"""Record of one row of a cohort: its numbers, or why it has none. One JSON file a row, written whole.

A row that was finished is not worked on again while its inputs, options and the tool's version stay the same: their
checksum stands in the record. Records hold no path of a source and no time, so the same cohort gives the same bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import BadFile, CanalwiseError, UnusableInput, WrongUse
from canalwise.recon.serialization import from_data, read_json, to_data, with_schema, without_schema, write_json_atomic
from canalwise.recon.version import VERSION
from canalwise.workbench.cohort.case_list import CaseLine
from canalwise.workbench.console.cohort_folder import ROWS

SCHEMA = "canalwise.cohort-row/1"

WRONG_USE, UNUSABLE, MEMORY, LOST, FILES, INTERNAL = (
    "wrong use",
    "unusable input",
    "out of memory",
    "worker lost",
    "file system",
    "internal error",
)
"""Kinds of failure."""

EXIT_STATUS = {WRONG_USE: 2, UNUSABLE: 3, MEMORY: 3, LOST: 3, FILES: 3, INTERNAL: 1}
"""Kind of failure -> exit status that the same case alone would end with."""

CHUNK = 1 << 20


@dataclass(frozen=True)
class CohortOptions:
    """What is the same for every row.

    Parameters
    ----------
    samples, seed : of intervals and chances; no samples: none are worked out
    budget : approaches that a search looks at
    """

    samples: int = 1000
    seed: int = 0
    budget: int = 800


@dataclass(frozen=True)
class Failure:
    """Why a row, or one level of it, has no numbers; `kind` is one of EXIT_STATUS."""

    level: str
    step: str
    kind: str
    message: str

    @property
    def exit_status(self) -> int:
        """As the same case alone would end."""
        return EXIT_STATUS[self.kind]


@dataclass(frozen=True)
class RowRecord:
    """Parameters
    ----------
    case, patient, surgeon, order : as in the list
    inputs_sha256 : of inputs, options and version; empty where they could not be read
    rows : a table's row for each level, column -> value
    failures : none where all went well
    """

    case: str
    inputs_sha256: str = ""
    patient: int | None = None
    surgeon: int | None = None
    order: int | None = None
    rows: tuple[dict[str, Any], ...] = ()
    failures: tuple[Failure, ...] = ()
    caution: str = field(default=CAUTION)


def record_path(out: Path, case: str) -> Path:
    """Where a row's record lies."""
    return out / ROWS / f"{case}.json"


def write_record(out: Path, record: RowRecord) -> None:
    """Writes a record, whole or not at all."""
    write_json_atomic(record_path(out, record.case), with_schema(SCHEMA, to_data(record)))


def kept_record(out: Path, case: str) -> RowRecord | None:
    """The record that an earlier run left; None where there is none of this version."""
    path = record_path(out, case)
    if not path.is_file():
        return None
    try:
        data = without_schema(SCHEMA, read_json(path, who="a row's record"), who="a row's record")
        return from_data(RowRecord, data, who="a row's record")
    except BadFile:
        return None


def failure_of(error: BaseException, step: str, level: str = "") -> Failure:
    """An error as a row tells it; of what is not foreseen only its kind and place, for its words may name a file."""
    if isinstance(error, WrongUse):
        return Failure(level, step, WRONG_USE, str(error))
    if isinstance(error, CanalwiseError):
        return Failure(level, step, UNUSABLE, str(error))
    if isinstance(error, MemoryError):
        return Failure(level, step, MEMORY, OUT_OF_MEMORY)
    if isinstance(error, OSError):
        said = error.strerror or type(error).__name__
        return Failure(level, step, FILES, f"the file system refused ({said}). Check the space and the rights there.")
    message = f"{type(error).__name__} {_place(error)}. Please tell the developers; the other rows do not depend on it."
    return Failure(level, step, INTERNAL, message)


OUT_OF_MEMORY = (
    "the case needs more memory than its worker may have. Give --workers fewer, so that each has more, or crop the "
    "scan."
)


def _place(error: BaseException) -> str:
    """The innermost module of ours that an error passed, and the line."""
    found, trace = "outside canalwise", error.__traceback__
    while trace is not None:
        module = str(trace.tb_frame.f_globals.get("__name__", ""))
        if module.startswith("canalwise."):
            found = f"in {module}, line {trace.tb_lineno}"
        trace = trace.tb_next
    return found


def inputs_sha256(line: CaseLine, options: CohortOptions, steps: Sequence[str]) -> str:
    """SHA-256 of all that a row's numbers depend on: contents of its files, its other fields, options and version.

    Raises UnusableInput for an input that is not there.
    """
    digest = hashlib.sha256()
    fields = {name: value for name, value in asdict(line).items() if name not in dict(line.inputs)}
    # a row keeps its numbers when the list's other columns change only who is counted with whom
    for name in ("labels", "patient", "surgeon", "order"):
        fields.pop(name, None)
    for text in (VERSION, repr(sorted(fields.items(), key=lambda one: one[0])), repr(options), repr(tuple(steps))):
        _add(digest, text.encode())
    for name, path in line.inputs:
        if not path.exists():
            raise UnusableInput(f"'{name}'", "must name an existing file or folder")
        _add(digest, name.encode())
        for part in _files(path):
            _add(digest, str(part.relative_to(path)).encode())
            _add_file(digest, part)
    return digest.hexdigest()


def _files(path: Path) -> Iterator[Path]:
    return iter([path]) if path.is_file() else (part for part in sorted(path.rglob("*")) if part.is_file())


def _add(digest: Any, content: bytes) -> None:
    # the length keeps the end of one from passing for the beginning of the next
    digest.update(len(content).to_bytes(8, "little"))
    digest.update(content)


def _add_file(digest: Any, path: Path) -> None:
    with path.open("rb") as file:
        digest.update(path.stat().st_size.to_bytes(8, "little"))
        while chunk := file.read(CHUNK):
            digest.update(chunk)
