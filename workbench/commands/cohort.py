"""canalwise cohort: many cases, on this machine or a Dask cluster."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwise.workbench.console.options import add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

if TYPE_CHECKING:
    from canalwise.workbench.cohort.whole_cohort import CohortResult

SAMPLES, BUDGET = 1000, 800
"""Of each row, unless stated otherwise."""

ABOUT = """\
Take every case of a list through build, measure, estimate and audit, several at a time. LIST is a CSV file, one line
a case; paths in it are relative to its folder. Its columns:

  case          a name of your own: letters, digits, '.', '_', '-'; nobody's identity     (needed)
  scan          scan file, folder or zip                                                  (needed)
  labels        label maps on the scan's grid, several apart by '|'
  label_names   TOML file that maps their values to our names
  levels        vertebrae in view, cranial to caudal: L3 L4 L5
  level         levels to plan, apart by spaces, or all; empty: the case is only measured
  side          left or right; may be empty where approach is search
  approach      default (the usual start) or search (the best that is found)
  plan          a plan file (TOML), instead of level, side and approach
  post          a scan after the operation: each planned level is audited on it
  modality, series, accept_thick, accept_tilt        as the options of 'canalwise build'; yes or no
  patient, surgeon, order                            whole numbers up to 9999, never names or dates

examples:
  canalwise cohort list.csv --out cohort
  canalwise cohort list.csv --out cohort --workers 8 --samples 200
  canalwise cohort list.csv --out cohort --scheduler tcp://10.0.0.5:8786

a list may look like
  case,scan,labels,level,side,patient
  a01,a01/ct.nii.gz,a01/labels.nii.gz,L3-L4 L4-L5,left,1
  a02,a02/dicom.zip,,L4-L5,right,2

Each case is a row of its own: one that fails becomes a row in failures.csv with its message, and the others go
on. Run the same command again after Ctrl-C, a crash or a change: what is finished and unchanged is not done
again, what failed is tried again. A worker that dies while at a case is replaced and the case tried three times.

writes in FOLDER: cases/NAME (a case folder each), cases.parquet (a row a case and level, units in the names of
columns), failures.csv, summary.html (spreads, planned against achieved, surgeons), rows/NAME.json, cohort.json.
Nothing of it holds a path of a scan or a patient's identity. Workers and scheduler speak over loopback, without
a password: do not run a cohort on a machine whose other users you do not trust.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """LIST, where results go, the workers, and what is the same for all rows."""
    parser.add_argument("list", type=Path, metavar="LIST", help="a CSV file, one line a case")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="new, or of a cohort to take up")
    where = parser.add_argument_group("workers", "One process and one thread each.")
    where.add_argument(
        "--workers", type=int, metavar="N", help="processes of this machine (usual: one a processor, as memory allows)"
    )
    where.add_argument(
        "--memory-mb", type=float, metavar="MB", help="memory of each worker (usual: an even share of what is free)"
    )
    where.add_argument(
        "--scheduler", default="", metavar="ADDRESS", help="use the workers of a Dask scheduler that is running"
    )
    where.add_argument("--dashboard", action="store_true", help="show Dask's own page on loopback, port 8787")
    where.add_argument("--serial", action="store_true", help="one case after the other, without workers")
    same = parser.add_argument_group("the same for every row")
    same.add_argument(
        "--samples", type=int, default=SAMPLES, metavar="N", help="samples of intervals [%(default)s]; 0: none"
    )
    same.add_argument("--seed", type=int, default=0, metavar="N", help="of samples and search [%(default)s]")
    same.add_argument(
        "--budget", type=int, default=BUDGET, metavar="N", help="approaches a search looks at [%(default)s]"
    )
    parser.add_argument(
        "--strict", action="store_true", help="end with exit status 4 when a row failed or a plan breaks a limit"
    )
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads the list, works on it and reports."""
    from canalwise.recon.errors import WrongUse
    from canalwise.workbench.cohort.case_list import read_list
    from canalwise.workbench.cohort.row_record import CohortOptions
    from canalwise.workbench.cohort.whole_cohort import Workers, cohort

    if min(args.samples, args.seed) < 0 or args.budget < 1:
        raise WrongUse("--samples, --seed and --budget", "must not be negative")
    if args.scheduler and (args.workers or args.memory_mb or args.serial):
        raise WrongUse("--scheduler", "must be given without --workers, --memory-mb and --serial")
    voice = CommandOutput(args.json)
    lines = read_list(args.list)
    chosen = CohortOptions(args.samples, args.seed, args.budget)
    where = Workers(args.workers, args.memory_mb, args.scheduler, args.dashboard, args.serial)
    if args.dashboard:
        voice.tell(["Dask's page: http://127.0.0.1:8787/status"])
    with voice.counting("cases", len(lines)) as progress:
        found = cohort(lines, args.out, chosen, where, progress=progress)
    document = cohort_json(found)
    voice.result(document, cohort_lines(document))
    return _status(found, args.strict)


def cohort_json(found: CohortResult) -> dict[str, Any]:
    """What became of the rows, as JSON data."""
    from canalwise.recon.disclaimer import CAUTION
    from canalwise.workbench.cohort.results import table_rows
    from canalwise.workbench.cohort.whole_cohort import SCHEMA
    from canalwise.workbench.console.cohort_folder import FAILURES, SUMMARY, TABLE

    rows = table_rows(found.records)
    failures = [
        {"case": record.case, "level": one.level, "step": one.step, "kind": one.kind, "exit_status": one.exit_status,
         "message": one.message}
        for record in found.records for one in record.failures
    ]  # fmt: skip
    return {
        "schema": SCHEMA,
        "cases": len(found.records),
        "cases_without_failure": len(found.records) - len(found.failed),
        "cases_not_done_again": len(found.reused),
        "rows": len(rows),
        "freed_and_kept": sum(bool(row["freed"] and row["kept"]) for row in rows),
        "failures": failures,
        "files": [TABLE, FAILURES, SUMMARY],
        "caution": CAUTION,
    }


def cohort_lines(document: Mapping[str, Any]) -> list[object]:
    """The counts, the failures and the caution."""
    from canalwise.workbench.console.output import table

    counts = [
        f"{document['cases_without_failure']} of {document['cases']} cases without a failure"
        f" ({document['cases_not_done_again']} were finished before); {document['rows']} rows,"
        f" {document['freed_and_kept']} plans free enough and keep every limit."
    ]
    failed = [(one["case"], one["level"], one["step"], one["kind"], one["message"]) for one in document["failures"]]
    lines: list[object] = [*counts]
    if failed:
        lines.append(table(("case", "level", "step", "kind", "what to know"), failed, title="Failures"))
    return [*lines, f"Wrote {', '.join(document['files'])}.", document["caution"]]


def _status(found: CohortResult, strict: bool) -> int:
    """0, 3 where every case failed, 4 where limits count and a row failed or breaks one."""
    from canalwise.workbench.console.json_results import BREACHED

    if found.records and all(record.failures and not record.rows for record in found.records):
        return 3
    broken = any(row.get("kept") is False for record in found.records for row in record.rows)
    return BREACHED if strict and (found.failed or broken) else 0


VERB = Verb("cohort", "many cases, several at a time", ABOUT, options, run)
