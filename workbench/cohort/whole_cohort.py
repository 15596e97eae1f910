"""A cohort from its list to its tables and page, in one folder that can be taken up again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import BadCase, UnusableInput, WrongUse
from canalwise.recon.folder_lock import locked
from canalwise.recon.serialization import with_schema, write_json_atomic
from canalwise.recon.version import VERSION
from canalwise.workbench.cohort.case_list import CaseLine, RefusedLine
from canalwise.workbench.cohort.results import write_results
from canalwise.workbench.cohort.row_record import CohortOptions, RowRecord, failure_of, write_record
from canalwise.workbench.cohort.row_work import FinishedRow, finished_row
from canalwise.workbench.cohort.steps import STEPS, CohortStep
from canalwise.workbench.cohort.worker_memory import worker_share
from canalwise.workbench.console.cohort_folder import CASES, ROWS

SCHEMA = "canalwise.cohort/1"

MARK = "cohort.json"
"""Makes a folder one of a cohort."""

Progress = Callable[[int], None]

LOCK_WAIT_S = 1.0


@dataclass(frozen=True)
class Workers:
    """Where the rows are worked on.

    Parameters
    ----------
    count : processes of this machine; one a processor where left out
    memory_mb : for each; an even share where left out
    scheduler : address of a running Dask scheduler, whose workers take their place
    dashboard : serve Dask's own page on loopback
    serial : one row after the other in this process, without Dask
    """

    count: int | None = None
    memory_mb: float | None = None
    scheduler: str = ""
    dashboard: bool = False
    serial: bool = False


@dataclass(frozen=True)
class CohortResult:
    """All rows in the list's order, and which of them an earlier run had finished."""

    records: tuple[RowRecord, ...]
    reused: frozenset[str] = field(default_factory=frozenset)

    @property
    def failed(self) -> tuple[RowRecord, ...]:
        """Rows with a failure."""
        return tuple(record for record in self.records if record.failures)


def cohort(
    lines: Sequence[CaseLine | RefusedLine],
    out: Path,
    options: CohortOptions | None = None,
    workers: Workers | None = None,
    *,
    steps: Sequence[CohortStep] = STEPS,
    progress: Progress = lambda _: None,
) -> CohortResult:
    """Works on every line of a list and writes records, tables and page into a folder.

    Parameters
    ----------
    out : a new folder, an empty one, or one of a cohort, which is taken up: rows that are finished stay
    progress : called with 1 for each row that is finished

    Raises
    ------
    WrongUse : the folder holds something else
    UnusableInput : too little memory for the workers, no scheduler, or another run at work in the folder
    """
    chosen, where = options or CohortOptions(), workers or Workers()
    _make_ready(out, lines, chosen)
    with _alone(out):
        good = [line for line in lines if isinstance(line, CaseLine)]
        finished = {record.case: FinishedRow(record) for record in _refused(out, lines)}
        progress(len(finished))
        for row in _rows(out, good, (chosen, tuple(steps)), where):
            finished[row.record.case] = row
            progress(1)
        records = tuple(finished[line.case].record for line in lines)
        result = CohortResult(records, frozenset(case for case, row in finished.items() if row.reused))
        write_results(out, records)
    return result


def _rows(
    out: Path, lines: Sequence[CaseLine], how: tuple[CohortOptions, tuple[CohortStep, ...]], where: Workers
) -> Iterator[FinishedRow]:
    if where.serial:
        yield from (finished_row(out, line, *how) for line in lines)
        return
    # here, so that no other verb waits for its import
    from canalwise.workbench.cohort.dask_rows import RowTask, cluster_client, local_client, rows_on

    if not lines:
        return
    if where.scheduler:
        with cluster_client(where.scheduler) as client:
            yield from rows_on(client, [RowTask(out.absolute(), line, *how) for line in absolute(lines)])
        return
    share = worker_share(where.count, where.memory_mb)
    tasks = [RowTask(out.absolute(), line, *how, share.memory_mb) for line in absolute(lines)]
    with local_client(share, where.dashboard) as client:
        yield from rows_on(client, tasks)


def absolute(lines: Sequence[CaseLine]) -> list[CaseLine]:
    """The lines with paths that mean the same in a process that stands elsewhere."""
    from dataclasses import replace

    return [
        replace(
            line,
            scan=line.scan.absolute(),
            labels=tuple(path.absolute() for path in line.labels),
            **{name: path.absolute() for name in ("label_names", "plan", "post") if (path := getattr(line, name))},
        )
        for line in lines
    ]


def _refused(out: Path, lines: Sequence[CaseLine | RefusedLine]) -> list[RowRecord]:
    """Records of the lines that cannot mean anything, written."""
    refused = [line for line in lines if isinstance(line, RefusedLine)]
    records = [RowRecord(line.case, failures=(failure_of(line.error, "list"),)) for line in refused]
    for record in records:
        write_record(out, record)
    return records


def _make_ready(out: Path, lines: Sequence[CaseLine | RefusedLine], options: CohortOptions) -> None:
    if out.exists() and not out.is_dir():
        raise WrongUse("--out", "must be a folder")
    if out.is_dir() and any(out.iterdir()) and not (out / MARK).is_file():
        raise WrongUse("--out", "must be new, empty or the folder of a cohort", do="Give another folder.")
    for folder in (out, out / CASES, out / ROWS):
        folder.mkdir(parents=True, exist_ok=True)
    about: dict[str, Any] = {
        "version": VERSION,
        "options": asdict(options),
        "cases": [line.case for line in lines],
        "caution": CAUTION,
    }
    write_json_atomic(out / MARK, with_schema(SCHEMA, about))


@contextmanager
def _alone(out: Path) -> Iterator[None]:
    """No other run works in the folder meanwhile."""
    try:
        with locked(out, wait_s=LOCK_WAIT_S):
            yield
    except BadCase as problem:
        if "free within" not in problem.rule:
            raise
        raise UnusableInput("--out", "must be free", got="another cohort at work in it", do="Wait for it.") from None
