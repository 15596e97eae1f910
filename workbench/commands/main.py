"""The command line: a thin skin, one module per verb, over one library call each."""

from __future__ import annotations

import argparse
import os
import sys
import warnings
from collections.abc import Sequence

from canalwise.recon.disclaimer import CAUTION
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.version import VERSION
from canalwise.workbench.commands import (
    audit,
    build,
    chart,
    cohort,
    compare,
    correct,
    demo,
    estimate,
    levels,
    measure,
    search,
)
from canalwise.workbench.console.verb import TEACHING, Verb
from canalwise.workbench.delivery import export, fetch, rehearse, report, send, sheet, validate

VERBS: tuple[Verb, ...] = (
    demo.VERB,
    build.VERB,
    correct.VERB,
    measure.VERB,
    estimate.VERB,
    search.VERB,
    compare.VERB,
    levels.VERB,
    chart.VERB,
    rehearse.VERB,
    report.VERB,
    sheet.VERB,
    audit.VERB,
    export.VERB,
    cohort.VERB,
    send.VERB,
    fetch.VERB,
    validate.VERB,
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
    parser.add_argument("--version", action="version", version=f"canalwise {VERSION}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
    for verb in VERBS:
        verb.register(verbs)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status and lets no foreseen error out as a traceback."""
    if argv is None and not sys.warnoptions:
        # Run as a program: a library's warning is for whoever mends the tool (python -W default), not for its user.
        warnings.simplefilter("ignore")
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
        reported = problem.strerror or type(problem).__name__
        print(
            f"canalwise: the file system refused ({reported}). Check the space and the rights there.",
            file=sys.stderr,
        )
        return CANNOT_WRITE


if __name__ == "__main__":
    sys.exit(main())
