"""canalwise report: one self-contained page."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from canalwise.workbench.console.options import add_approach, add_case, add_json, add_strict, task_of
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Write one self-contained page about one approach: slices and 3D pictures with the channel, bone
removed, joints, reach, decompression, what other tilts, entries and instruments would cost,
comparison, and the plan's numbers. It needs no network and no other file, and prints on A4.
The plan kept in the case for that level and side is used when there is one; otherwise the usual
start. An audit kept for the level ('canalwise audit ... --save') is included.

examples:
  canalwise report case --level L3-L4 --side left
  canalwise report case --plan case/plans/steeper.toml --out steeper.html
  canalwise report case --level L3-L4 --side left --pdf

writes report.html, or report.pdf, in the case unless --out says otherwise.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the approach and where the page goes."""
    add_case(parser)
    add_approach(parser)
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="where to write the page (usual: report.html in the case)"
    )
    parser.add_argument(
        "--audit", type=Path, metavar="FILE", help="an audit's JSON to tell of (usual: the one kept for that level)"
    )
    parser.add_argument("--pdf", action="store_true", help="write a PDF instead, for which no browser is needed")
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case and writes its page."""
    from canalwise.recon.case.folder import changing, read_case
    from canalwise.recon.serialization import write_bytes_atomic
    from canalwise.workbench.console.json_results import exit_status
    from canalwise.workbench.console.plan_store import kept_approach, noted_anatomy, plan_name, plan_notes
    from canalwise.workbench.console.tables import estimate_lines
    from canalwise.workbench.report.audit_section import kept_audit
    from canalwise.workbench.report.facts import facts_of
    from canalwise.workbench.report.pdf import report_pdf
    from canalwise.workbench.report.report import page_of
    from canalwise.workbench.style.page_bundle import check_page_built
    from canalwise.workbench.style.stamp import stamp_now

    voice = CommandOutput(args.json)
    if not args.pdf:
        check_page_built()
    case = read_case(args.case)
    task = task_of(args)
    kept = kept_approach(case, args)
    approach = kept.approach
    with voice.busy("drawing the report"):
        audited = kept_audit(case, approach.level, args.audit)
        stamp = stamp_now(
            case.anatomy_sha256, args.plan.stem if args.plan else plan_name(approach.level, approach.side)
        )
        reported = replace(facts_of(case.scan, noted_anatomy(case, kept), approach, task, stamp), audit=audited)
        content = report_pdf(reported) if args.pdf else page_of(reported).encode()
    out = args.out or case.folder / f"report.{'pdf' if args.pdf else 'html'}"
    with changing(case):
        write_bytes_atomic(out, content)
    voice.result(reported.estimate, [*estimate_lines(reported.estimate), f"Wrote {out.name}."])
    voice.warn([*case.notes, *plan_notes(case, kept)])
    return exit_status([reported.estimate], args.strict)


VERB = Verb("report", "one self-contained page about one approach", ABOUT, options, run)
