"""canalwise measure: the levels of a case, measured."""

from __future__ import annotations

import argparse

from canalwise.workbench.console.options import add_case, add_json
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Print every level's measurements, each with its structure, the slice it was taken in, and a
published severity band where there is one.

example:
  canalwise measure case

prints one table per level: quantity, value, unit, structure, slice, severity.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE."""
    add_case(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case and prints what was measured."""
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.console.json_results import measured_json
    from canalwise.workbench.console.tables import measured_lines

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    voice.warn(case.notes)
    document = measured_json(case.anatomy)
    voice.result(document, measured_lines(document))
    voice.warn([*document["warnings"], *(w for level in document["levels"] for w in level["warnings"])])
    return 0


VERB = Verb("measure", "levels, measurements and severity of a case", ABOUT, options, run)
