"""canalwise validate: accuracy and published comparisons, anew on this machine."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from canalwise.workbench.console.options import add_json, add_strict
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Work out anew, on this machine, how close the numbers come to phantoms of known truth, how they
stand beside what was published, and whether labels come back unchanged through every format.
Nothing of a patient is used. A few minutes; --thorough repeats what the pages quote, and takes
an hour or two. What was published stands beside a virtual cohort: made-up narrow spines, planned
and carried out with execution errors from the left, from the right and from both sides.

examples:
  canalwise validate --out validation
  canalwise validate --out validation --spines 200
  canalwise validate --out validation --thorough

writes validation.html and validation.json, one row a quantity with what was found, what passes and
where that comes from, and prints the same. With --strict the exit status is 4 when a row does not
pass.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """Where the report goes, and how much is worked out."""
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="the folder to write")
    parser.add_argument("--force", action="store_true", help="replace a validation that is there")
    parser.add_argument("--thorough", action="store_true", help="all phantoms and narrow levels")
    parser.add_argument(
        "--spines", type=int, metavar="N", help="spines of the virtual cohort, some 5 s each [4, with --thorough 30]"
    )
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Works the rows out and writes the report."""
    from canalwise.recon.case.folder_writing import check_replaceable
    from canalwise.recon.disclaimer import CAUTION
    from canalwise.recon.errors import WrongUse
    from canalwise.workbench.console.json_results import BREACHED
    from canalwise.workbench.console.output import table
    from canalwise.workbench.validation.page import DATA_FILE, verdict, write_validation
    from canalwise.workbench.validation.validation import QUICK, THOROUGH, validated, validation_json

    voice = CommandOutput(args.json)
    check_replaceable(args.out, args.force, DATA_FILE)
    scope = THOROUGH if args.thorough else QUICK
    if args.spines is not None:
        if args.spines < 1:
            raise WrongUse("--spines", "must be 1 or more", got=args.spines)
        scope = replace(scope, spines=args.spines)
    with voice.busy("validating") as progress:
        document = validation_json(validated(scope, progress), scope)
    write_validation(args.out, document, args.force)
    columns = ("quantity", "found", "passes", "values", "verdict")
    rows = [
        (r["quantity"], "none" if r["found"] is None else f"{r['found']:.3g}", f"{r['low']:.3g} to {r['high']:.3g}",
         str(r["count"]), verdict(r))
        for r in document["rows"]
    ]  # fmt: skip
    reasons = [f"{r['quantity']}: {r['note']}." for r in document["rows"] if r["note"]]
    passed = f"{document['passed']} of {len(rows)} rows pass. Wrote validation.html."
    voice.result(document, [table(columns, rows, right=(1, 3)), *reasons, passed, CAUTION])
    return BREACHED if args.strict and document["passed"] < len(rows) else 0


VERB = Verb("validate", "accuracy and published comparisons, anew on this machine", ABOUT, options, run)
