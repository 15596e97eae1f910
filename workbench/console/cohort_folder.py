"""What lies where in the folder of a cohort, for the command that writes it and the page that finds it again."""

from __future__ import annotations

from pathlib import Path

CASES, ROWS = "cases", "rows"
"""Folders of the cases and of their records."""

TABLE, FAILURES, SUMMARY = "cases.parquet", "failures.csv", "summary.html"
"""Files of the results."""


def case_folder(out: Path, case: str) -> Path:
    """Where a row's case folder lies."""
    return out / CASES / case


def summary_beside(case: Path) -> Path | None:
    """The summary of the cohort that a case folder lies in; None for a case of its own.

    >>> summary_beside(Path("somewhere/else"))
    """
    folder = case.resolve().parent
    summary = folder.parent / SUMMARY
    return summary if folder.name == CASES and summary.is_file() else None
