"""The files a cohort leaves beside its cases: cases.parquet, failures.csv, summary.html; same rows, same bytes."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from canalwise.estimator.cohort.columns import COLUMNS, TableColumn
from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.serialization import write_bytes_atomic
from canalwise.workbench.cohort.row_record import RowRecord
from canalwise.workbench.cohort.summary_page import summary_page
from canalwise.workbench.console.cohort_folder import FAILURES, SUMMARY, TABLE

TABLE_SCHEMA = "canalwise.cohort-table/1"

KEYS = {
    "case": ("text", "name of the case in the list"),
    "patient": ("whole number", "levels of one patient carry the same"),
    "surgeon": ("whole number", "a number for each surgeon"),
    "order": ("whole number", "which of the surgeon's operations it was"),
    "level": ("text", "motion segment"),
    "side": ("text", "of the approach; empty where none was planned"),
    "approach": ("text", "where the plan comes from: default, search or plan"),
}
"""Columns before the numbers: kind and meaning."""

FAILURE_COLUMNS = ("case", "level", "step", "kind", "exit_status", "message")


def write_results(out: Path, records: Sequence[RowRecord]) -> None:
    """Writes all three, each whole or not at all."""
    rows = table_rows(records)
    write_bytes_atomic(out / TABLE, parquet_bytes(rows))
    write_bytes_atomic(out / FAILURES, failures_text(records).encode())
    write_bytes_atomic(out / SUMMARY, summary_page(rows, records).encode())


def table_rows(records: Sequence[RowRecord]) -> list[dict[str, Any]]:
    """A row for each case and level, in the list's order.

    >>> from canalwise.workbench.cohort.row_record import RowRecord
    >>> table_rows([RowRecord("a", patient=3, rows=({"level": "L3-L4"},))])
    [{'case': 'a', 'patient': 3, 'surgeon': None, 'order': None, 'level': 'L3-L4'}]
    """
    return [
        {"case": one.case, "patient": one.patient, "surgeon": one.surgeon, "order": one.order, **row}
        for one in records
        for row in one.rows
    ]


def parquet_bytes(rows: Sequence[dict[str, Any]]) -> bytes:
    """The rows as an Apache Parquet file; each field carries its meaning, the table schema and caution."""
    import pyarrow
    from pyarrow import parquet

    kinds = {"number": pyarrow.float64(), "text": pyarrow.string(), "yes or no": pyarrow.bool_(),
             "whole number": pyarrow.int64()}  # fmt: skip
    fields = [(name, kinds[kind], words) for name, (kind, words) in KEYS.items()]
    fields += [(name, kinds[kind], words) for name, kind, words in number_fields(COLUMNS)]
    schema = pyarrow.schema(
        [pyarrow.field(name, kind, metadata={"meaning": words}) for name, kind, words in fields],
        metadata={"schema": TABLE_SCHEMA, "caution": CAUTION},
    )
    columns = [pyarrow.array([row.get(name) for row in rows], kind) for name, kind, _ in fields]
    buffer = io.BytesIO()
    parquet.write_table(pyarrow.table(columns, schema=schema), buffer)
    return buffer.getvalue()


def number_fields(columns: Sequence[TableColumn]) -> list[tuple[str, str, str]]:
    """(name, kind, meaning) of every field of the table's numbers, ends of intervals after their number.

    >>> from canalwise.estimator.cohort.columns import TableColumn
    >>> [name for name, _, _ in number_fields([TableColumn("reach_mm", (), "reach", interval=("ends",))])]
    ['reach_mm', 'reach_mm_low', 'reach_mm_high']
    """
    fields = []
    for column in columns:
        fields.append((column.name, str(column.kind), column.meaning))
        fields += [(end, "number", f"{end.rpartition('_')[2]} end of the 95 % interval") for end in column.ends]
    return fields


def failures_text(records: Sequence[RowRecord]) -> str:
    """A line for each failure as CSV; the head alone where all went well.

    >>> failures_text([]).strip()
    'case,level,step,kind,exit_status,message'
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(FAILURE_COLUMNS)
    for record in records:
        for one in record.failures:
            writer.writerow((record.case, one.level, one.step, one.kind, one.exit_status, one.message))
    return text.getvalue()
