"""canalwise demo: the whole job on a built-in phantom."""

from __future__ import annotations

import argparse
from pathlib import Path

from canalwise.recon.labels import SIDES
from canalwise.workbench.console.options import add_json, add_strict
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Do the whole job on a made-up spine with a narrow canal: render its scan, build the case, lay out
an approach, estimate it, compare the accesses, and write the report. Nothing has to be given.

example:
  canalwise demo --out demo-case

prints the headline numbers; the page is report.html in the folder.
"""

USUAL_OUT = "canalwise-demo"
"""Folder the demo writes unless --out says otherwise."""

USUAL_LEVEL = "L3-L4"
"""Level the demo works on: one of the two narrow ones."""


def options(parser: argparse.ArgumentParser) -> None:
    """Where the case goes, and which approach."""
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(USUAL_OUT),
        metavar="CASE",
        help=f"the case folder to write (usual: {USUAL_OUT})",
    )
    parser.add_argument("--level", default=USUAL_LEVEL, metavar="L3-L4", help=f"the level (usual: {USUAL_LEVEL})")
    parser.add_argument(
        "--side", choices=SIDES, default="left", help="the patient's side of the skin entry (usual: left)"
    )
    parser.add_argument("--force", action="store_true", help="replace a case that is there")
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Renders the phantom, then builds, estimates, compares and reports."""
    from canalwise.workbench.console.build_options import check_out
    from canalwise.workbench.console.json_results import exit_status
    from canalwise.workbench.console.tables import estimate_lines
    from canalwise.workbench.demonstration import demonstration

    voice = CommandOutput(args.json)
    voice.warn(check_out(args.out, args.force))
    with voice.busy("working through the whole job on a phantom"):
        estimate = demonstration(args.out, args.level, args.side, force=args.force)
    voice.result(estimate, [*estimate_lines(estimate), "Wrote the case; open its report.html in a browser."])
    return exit_status([estimate], args.strict)


VERB = Verb("demo", "the whole job on a built-in phantom", ABOUT, options, run)
