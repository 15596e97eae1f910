"""The command line: a thin skin, one module per verb, over one library call each."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import CanalwiseError
from canalwise.workbench.commands import build as verb_build
from canalwise.workbench.commands import chart as verb_chart
from canalwise.workbench.commands import compare as verb_compare
from canalwise.workbench.commands import correct as verb_correct
from canalwise.workbench.commands import demo as verb_demo
from canalwise.workbench.commands import estimate as verb_estimate
from canalwise.workbench.commands import measure as verb_measure
from canalwise.workbench.commands import rehearse as verb_rehearse
from canalwise.workbench.commands import report as verb_report
from canalwise.workbench.commands import search as verb_search
from canalwise.workbench.commands import sheet as verb_sheet
from canalwise.workbench.commands.verb import TEACHING, Verb

VERBS: tuple[Verb, ...] = (
    verb_demo.VERB,
    verb_build.VERB,
    verb_correct.VERB,
    verb_measure.VERB,
    verb_estimate.VERB,
    verb_search.VERB,
    verb_compare.VERB,
    verb_chart.VERB,
    verb_rehearse.VERB,
    verb_report.VERB,
    verb_sheet.VERB,
)
"""In the order of a first session."""

INTERRUPTED = 130
"""Exit status after Ctrl-C (128 + the signal's number)."""

CANNOT_WRITE = 3
"""Exit status when the disk refuses."""

EXIT_STATUS = """\
exit status:
  0  done
  2  wrong use of the command
  3  the input cannot be used; the message says why and what to do
  4  done, but a limit is breached (only with --strict)
"""


def build_parser() -> argparse.ArgumentParser:
    """The whole command line.

    >>> build_parser().parse_args(["measure", "case"]).case.name
    'case'
    """
    parser = argparse.ArgumentParser(
        prog="canalwise",
        formatter_class=TEACHING,
        description="Rehearse a one-sided, over-the-top decompression of lumbar stenosis on the patient's own scan.",
        epilog=f"start with:\n  canalwise demo\n\n{EXIT_STATUS}\n{CAUTION}",
    )
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
    for verb in VERBS:
        verb.register(verbs)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status and lets no foreseen error out as a traceback."""
    try:
        args = build_parser().parse_args(argv)
    except SystemExit as stop:  # argparse has said what was wrong, or printed the help
        return int(stop.code or 0)
    try:
        return int(args.run(args))
    except CanalwiseError as problem:
        print(f"canalwise: {problem}", file=sys.stderr)
        return problem.exit_status
    except KeyboardInterrupt:
        print("canalwise: stopped; nothing was left half-written.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:  # the reader of stdout has gone; python must not complain once more at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as problem:  # strerror only: a path may name the patient
        print(
            f"canalwise: the file system refused ({problem.strerror}). Check the space and the rights there.",
            file=sys.stderr,
        )
        return CANNOT_WRITE


if __name__ == "__main__":
    sys.exit(main())
