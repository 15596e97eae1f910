"""canalwise report: one self-contained page."""

from __future__ import annotations

import argparse
from pathlib import Path

from workbench.options import add_approach, add_case, add_json, add_strict, task_of
from workbench.verb import Verb
from workbench.voice import Voice

ABOUT = """\
Write one self-contained page about one approach: slices and 3D pictures with the channel, bone
removed, joints, reach, decompression, what other tilts, entries and instruments would cost,
comparison, and the plan's numbers. It needs no network and no other file, and prints on A4.
The plan kept in the case for that level and side is used when there is one; otherwise the usual
start.

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
    parser.add_argument("--pdf", action="store_true", help="write a PDF instead, for which no browser is needed")
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case and writes its page."""
    from recon.case import read_case
    from recon.records import write_bytes_atomic
    from workbench.plans import kept_approach
    from workbench.report import facts_of, page_of
    from workbench.report_pdf import report_pdf
    from workbench.results import exit_status
    from workbench.tables import estimate_lines

    voice = Voice(args.json)
    case = read_case(args.case)
    task = task_of(args)
    approach = kept_approach(case, args)
    with voice.busy("drawing the report"):
        told = facts_of(case.scan, case.anatomy, approach, task)
        content = report_pdf(told) if args.pdf else page_of(told).encode()
    out = args.out or case.folder / f"report.{'pdf' if args.pdf else 'html'}"
    write_bytes_atomic(out, content)
    voice.result(told.estimate, [*estimate_lines(told.estimate), f"Wrote {out.name}."])
    return exit_status([told.estimate], args.strict)


VERB = Verb("report", "one self-contained page about one approach", ABOUT, options, run)
