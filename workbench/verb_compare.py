"""canalwise compare: left, right, both sides."""

from __future__ import annotations

import argparse

from workbench.options import add_case, add_json, add_level
from workbench.verb import Verb
from workbench.voice import Voice

ABOUT = """\
Compare the ways in at one level for the same targets: from the left, from the right, from both
sides, and a midline laminectomy as a reference. Kept as results/compare-LEVEL.json in the case.

example:
  canalwise compare case --level L3-L4

prints one row per way in: bone removed, what stays of both joints, canal area, targets reached.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE and the level."""
    add_case(parser)
    add_level(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, compares the ways in at one level, and keeps the numbers."""
    from recon.case import read_case
    from recon.records import write_json_atomic
    from workbench.results import compared_json
    from workbench.tables import compared_lines

    voice = Voice(args.json)
    case = read_case(args.case)
    with voice.busy("comparing"):
        document = compared_json(case.anatomy, args.level)
    (case.folder / "results").mkdir(exist_ok=True)
    write_json_atomic(case.folder / "results" / f"compare-{args.level}.json", document)
    voice.result(document, compared_lines(document))
    voice.warn(document["warnings"])
    return 0


VERB = Verb("compare", "left, right, both sides and midline laminectomy", ABOUT, options, run)
