"""The cohort's page: one self-contained file, numbers first, then charts, then what failed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from canalwise.estimator.cohort.agreement import limits_of_agreement
from canalwise.estimator.cohort.columns import COLUMNS, PLANNED_AND_ACHIEVED, TableColumn, column_of
from canalwise.estimator.cohort.distribution import QUANTILES, distribution_of
from canalwise.estimator.cohort.funnel import funnel_of
from canalwise.estimator.cohort.learning_curve import learning_curve_of
from canalwise.recon.disclaimer import CAUTION
from canalwise.workbench.cohort.row_record import RowRecord
from canalwise.workbench.cohort.summary_charts import agreement_chart, funnel_chart, learning_chart, spread_chart
from canalwise.workbench.style.phrases import number, percent
from canalwise.workbench.style.templates import resource, template

Row = dict[str, Any]

CHARTED = (
    "sac_area_before_mm2",
    "freed_frac",
    "bone_removed_mm3",
    "facet_kept_ipsilateral_frac",
    "facet_kept_contralateral_frac",
    "least_area_planned_mm2",
)
"""Headline numbers that are drawn; the table tells all of them."""

LEARNT = "achieved_bone_removed_mm3", "bone_removed_mm3"
"""What a learning curve shows: the first of these that any row holds."""

UNITS = {"frac": "%", "mm3": "mm³", "mm2": "mm²", "mm": "mm"}


@dataclass(frozen=True)
class SummaryChart:
    """A chart and what it says."""

    uri: str
    caption: str


def summary_page(rows: Sequence[Row], records: Sequence[RowRecord]) -> str:
    """The page's HTML."""
    return template("cohort/summary.html.j2").render(
        caution=CAUTION,
        style=resource("report/report.css"),
        counts=_counts(rows, records),
        spreads=list(_spread_rows(rows)),
        quantiles=[f"{100 * q:.0f} %" for q in QUANTILES],
        charts=list(_spread_charts(rows)),
        agreements=list(_agreements(rows)),
        agreement_charts=list(_agreement_charts(rows)),
        surgeons=list(_surgeon_charts(rows)),
        failures=[(one.case, f.level, f.step, f.kind, f.message) for one in records for f in one.failures],
    )


def unit_of(column: str) -> str:
    """The unit that people read, from a column's name.

    >>> unit_of("bone_removed_mm3"), unit_of("freed_frac")
    ('mm³', '%')
    """
    return UNITS.get(column.rpartition("_")[2], "")


def readable_value(value: float, column: str) -> str:
    """A value as people read it.

    >>> readable_value(0.5, "freed_frac"), readable_value(123.4, "bone_removed_mm3")
    ('50 %', '123')
    """
    if column.endswith("_frac"):
        return percent(value)
    return number(value, 0 if column.endswith(("mm2", "mm3")) else 1)


def _words(column: TableColumn) -> str:
    unit = unit_of(column.name)
    return f"{column.meaning}, {unit}" if unit else column.meaning


def _counts(rows: Sequence[Row], records: Sequence[RowRecord]) -> list[tuple[str, str, str]]:
    planned = [row for row in rows if row["side"]]
    freed = [row["freed"] for row in planned if row["freed"] is not None]
    kept = [row["kept"] for row in planned if row["kept"] is not None]
    both = [row["freed"] and row["kept"] for row in planned if None not in (row["freed"], row["kept"])]
    failed = sum(bool(record.failures) for record in records)
    return [
        ("cases", str(len(records)), f"{failed} with a failure"),
        ("levels planned", str(len(planned)), f"{len(rows)} rows in the table"),
        ("freed", _of(freed), "plans that free enough"),
        ("kept", _of(kept), "plans that keep every limit"),
        ("freed and kept", _of(both), "plans that do both"),
    ]


def _of(answers: Sequence[bool]) -> str:
    return f"{sum(answers)} of {len(answers)}" if answers else "not known"


def _column(rows: Sequence[Row], name: str) -> list[Any]:
    return [row.get(name) for row in rows]


def _spread_rows(rows: Sequence[Row]) -> Iterator[tuple[str, ...]]:
    for column in (c for c in COLUMNS if c.kind == "number"):
        found = distribution_of(_column(rows, column.name))
        if found.count:
            ends = (readable_value(value, column.name) for value in found.quantiles)
            yield (_words(column), str(found.count), str(found.missing), *ends)


def _spread_charts(rows: Sequence[Row]) -> Iterator[SummaryChart]:
    for name in CHARTED:
        values = _scaled(_column(rows, name), name)
        if distribution_of(values).count:
            yield SummaryChart(spread_chart(values, unit_of(name)), column_of(name).meaning)


def _scaled(values: Sequence[float | None], name: str) -> list[float | None]:
    """Fractions as percent."""
    scale = 100.0 if name.endswith("_frac") else 1.0
    return [None if value is None else scale * value for value in values]


def _agreements(rows: Sequence[Row]) -> Iterator[tuple[str, ...]]:
    for planned, achieved in PLANNED_AND_ACHIEVED.items():
        found = limits_of_agreement(_column(rows, planned), _column(rows, achieved), _column(rows, "patient"))
        if found is not None:
            low, high = found.limits
            ends = (readable_value(value, planned) for value in (found.mean, low, high))
            yield (_words(column_of(planned)), str(found.count), str(found.patients), *ends)


def _agreement_charts(rows: Sequence[Row]) -> Iterator[SummaryChart]:
    for planned, achieved in PLANNED_AND_ACHIEVED.items():
        plans, results = (_scaled(_column(rows, name), planned) for name in (planned, achieved))
        found = limits_of_agreement(plans, results, _column(rows, "patient"))
        if found is not None:
            chart = agreement_chart(plans, results, found, unit_of(planned))
            yield SummaryChart(chart, column_of(planned).meaning)


def _surgeon_charts(rows: Sequence[Row]) -> Iterator[SummaryChart]:
    success = [None if None in (row["freed"], row["kept"]) else bool(row["freed"] and row["kept"]) for row in rows]
    points = funnel_of(_column(rows, "surgeon"), success)
    if len(points) > 1:
        words = "share of plans that free enough and keep every limit"
        yield SummaryChart(funnel_chart(points, "freed and kept, share"), f"Surgeons beside each other: {words}.")
    learnt = next((name for name in LEARNT if any(v is not None for v in _column(rows, name))), LEARNT[-1])
    for surgeon in sorted({row["surgeon"] for row in rows if row["surgeon"] is not None}) or [None]:
        mine = [row for row in rows if row["surgeon"] == surgeon]
        curve = learning_curve_of(_column(mine, "order"), _column(mine, learnt))
        if curve is not None:
            who = "" if surgeon is None else f", surgeon {surgeon}"
            caption = f"{column_of(learnt).meaning}{who}, in the order of the operations; below, summed from the median"
            yield SummaryChart(learning_chart(curve, unit_of(learnt)), caption)
