"""canalwise compare: left, right, both sides."""

from __future__ import annotations

import argparse

from canalwise.workbench.console.options import add_breadth, add_case, add_json, add_level, breadth_of
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

BUDGET = 1200

ABOUT = """\
Compare the accesses to one level for the same room needed, each on the best plan that is found for it:
from the left, from the right, from both sides (one entry each, for its own half), and a midline
laminectomy as a reference. Kept as results/compare-LEVEL.json in the case.

An access that frees less than 90 % of what presses on a side, or breaks a limit, is never the best, however
little bone it takes. Intervals and differences rest on the same execution errors for every access. A
difference that those could turn round, or that is less than a few bites of a punch, is called a tie.

examples:
  canalwise compare case --level L3-L4
  canalwise compare case --level L3-L4 --breadth central --budget 3000

prints what each access frees first, then one row per access: freed on each side, least free area before,
needed and after, bone removed, what stays of both joints and of the spinous base, how often it succeeds
as executed; bone by structure; and the conclusion.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the level, and how long to search."""
    add_case(parser)
    add_level(parser)
    add_breadth(parser)
    parser.add_argument("--budget", type=int, default=BUDGET, metavar="N", help=f"approaches looked at ({BUDGET})")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of the random numbers (0)")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, finds the best plan of each access, compares them, and keeps the numbers."""
    from canalwise.estimator.level.prepared_level import prepared_level
    from canalwise.estimator.search.search_task import SearchTask
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.console.json_results import compared_json
    from canalwise.workbench.console.plan_store import keep_result, of_anatomy
    from canalwise.workbench.console.search_tables import access_lines

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    question = SearchTask(breadth=breadth_of(args), budget=args.budget, seed=args.seed)
    prepared = prepared_level(case.anatomy, args.level)
    with voice.counting("comparing", question.budget) as progress:
        document = of_anatomy(case, compared_json(prepared, question, progress))
    keep_result(case, f"compare-{args.level}", document)
    voice.result(document, access_lines(document))
    voice.warn([*case.notes, *document["warnings"]])
    return 0


VERB = Verb("compare", "left, right, both sides and midline laminectomy", ABOUT, options, run)
