"""One row of a cohort, from its line in the list to its record on disk; what a worker runs."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from canalwise.recon.parallel import THREADS_VARIABLE
from canalwise.workbench.cohort.case_list import CaseLine
from canalwise.workbench.cohort.row_record import (
    CohortOptions,
    RowRecord,
    failure_of,
    inputs_sha256,
    kept_record,
    write_record,
)
from canalwise.workbench.cohort.rows import rows_of
from canalwise.workbench.cohort.steps import CaseWork, CohortStep
from canalwise.workbench.console.cohort_folder import case_folder


@dataclass(frozen=True)
class FinishedRow:
    """A row's record, and whether it is an earlier run's."""

    record: RowRecord
    reused: bool = False


def finished_row(out: Path, line: CaseLine, options: CohortOptions, steps: Sequence[CohortStep]) -> FinishedRow:
    """Works on a row unless an earlier run finished it on the same inputs; its record is on disk when this returns.

    No foreseen or unforeseen error of the case leaves: it becomes the row's failure.
    """
    begun = RowRecord(line.case, "", line.patient, line.surgeon, line.order)
    with one_thread():
        try:
            checksum = inputs_sha256(line, options, [step.name for step in steps])
        except Exception as error:
            return _kept(out, replace(begun, failures=(failure_of(error, "inputs"),)))
        earlier = kept_record(out, line.case)
        if earlier is not None and earlier.inputs_sha256 == checksum and not earlier.failures:
            return _again(out, earlier, line)
        return _kept(out, _worked(out, replace(begun, inputs_sha256=checksum), line, (options, steps)))


def _again(out: Path, earlier: RowRecord, line: CaseLine) -> FinishedRow:
    """An earlier run's record, under the patient, surgeon and order of the list as it is now."""
    now = replace(earlier, patient=line.patient, surgeon=line.surgeon, order=line.order)
    if now != earlier:
        write_record(out, now)
    return FinishedRow(now, True)


def _kept(out: Path, record: RowRecord) -> FinishedRow:
    write_record(out, record)
    return FinishedRow(record)


def _worked(out: Path, begun: RowRecord, line: CaseLine, how: tuple[CohortOptions, Sequence[CohortStep]]) -> RowRecord:
    options, steps = how
    work = CaseWork(line, case_folder(out, line.case), options)
    for step in steps:
        try:
            step.work(work)
        except Exception as error:
            # numbers of a case that failed half done are not mixed with whole ones
            return replace(begun, failures=(*work.failures, failure_of(error, step.name)))
    rows = rows_of(work.folder, "plan" if line.plan else line.approach if line.level else "")
    return replace(begun, rows=rows, failures=tuple(work.failures))


@contextmanager
def one_thread() -> Iterator[None]:
    """This process computes with one thread inside: the other processors work on other cases."""
    before = os.environ.get(THREADS_VARIABLE)
    os.environ[THREADS_VARIABLE] = "1"
    try:
        yield
    finally:
        if before is None:
            os.environ.pop(THREADS_VARIABLE, None)
        else:
            os.environ[THREADS_VARIABLE] = before
