"""canalwise sheet: the theatre sheet, one page to print."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.workbench.console.options import add_approach, add_case, add_json, add_strict, task_of
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Write the theatre sheet of one approach, one page to print: level and side in large letters with
boxes to tick, skin entry and depth, instrument and tilts, reconstructed AP and lateral radiographs
with needle and channel, the first view down the channel, the axial slice as in theatre, and how
the limits stand. The plan kept in the case for that level and side is used when there is one;
otherwise the usual start.

examples:
  canalwise sheet case --level L3-L4 --side left
  canalwise sheet case --plan case/plans/steeper.toml --out steeper.pdf

writes sheet.html in the case unless --out says otherwise; a name that ends in .pdf makes a PDF,
for which no browser is needed.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the approach and where the page goes."""
    add_case(parser)
    add_approach(parser)
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="where to write it, .html or .pdf (usual: sheet.html in the case)"
    )
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case and writes its sheet."""
    from canalwise.estimator.estimate.estimate import estimate_of
    from canalwise.estimator.level.prepared_level import prepared_level
    from canalwise.recon.case.folder import changing, read_case
    from canalwise.recon.serialization import write_bytes_atomic
    from canalwise.workbench.console.json_results import exit_status
    from canalwise.workbench.console.plan_store import kept_approach, noted_anatomy, plan_name, plan_notes
    from canalwise.workbench.console.tables import estimate_lines
    from canalwise.workbench.sheet.pdf import sheet_pdf
    from canalwise.workbench.sheet.sheet import sheet_html, sheet_of
    from canalwise.workbench.style.stamp import stamp_now

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    kept = kept_approach(case, args)
    approach = kept.approach
    out = args.out or case.folder / "sheet.html"
    with voice.busy("drawing the sheet"):
        prepared = prepared_level(noted_anatomy(case, kept), approach.level)
        stamp = stamp_now(
            case.anatomy_sha256, args.plan.stem if args.plan else plan_name(approach.level, approach.side)
        )
        sheet = sheet_of(case.scan, estimate_of(prepared, approach, task_of(args)), stamp=stamp)
        content = sheet_pdf(sheet) if out.suffix.lower() == ".pdf" else sheet_html(sheet).encode()
    with changing(case):
        write_bytes_atomic(out, content)
    voice.result(sheet.estimate, [*estimate_lines(sheet.estimate), f"Wrote {out.name}."])
    voice.warn([*case.notes, *plan_notes(case, kept)])
    return exit_status([sheet.estimate], args.strict)


VERB = Verb("sheet", "one page to print for theatre", ABOUT, options, run)
