"""canalwise compare: left, right, both sides."""

from __future__ import annotations

import argparse

from canalwise.workbench.console.options import add_case, add_json, add_level
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

BUDGET = 40_000

ABOUT = """\
Compare the ways in at one level for the same targets, each on the best plan that is found for it: from
the left, from the right, from both sides (one ipsilateral phase each, for its own half), and a midline
laminectomy as a reference. Kept as results/compare-LEVEL.json in the case.

Intervals and differences rest on the same errors of hand and borders for every way. A difference that
those could turn round, or that is less than a few bites of a punch, is called a tie.

examples:
  canalwise compare case --level L3-L4
  canalwise compare case --level L3-L4 --budget 200000

prints one row per way in: bone removed, what stays of both joints, canal area, targets reached, how
often it succeeds by hand; and the conclusion.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the level, and how long to search."""
    add_case(parser)
    add_level(parser)
    parser.add_argument("--task", metavar="NAME[,NAME...]", help="what is to be touched (usual: both lateral recesses)")
    parser.add_argument("--budget", type=int, default=BUDGET, metavar="N", help=f"approaches looked at ({BUDGET})")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of the random numbers (0)")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, finds the best plan of each access, compares them, and keeps the numbers."""
    from canalwise.estimator.batch.outcomes_by_relation import USUAL_WANTED
    from canalwise.estimator.level.prepared_level import prepared_level
    from canalwise.estimator.level.target_names import named
    from canalwise.estimator.search.strategies import SearchTask
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.console.json_results import compared_json
    from canalwise.workbench.console.plan_store import keep_result, of_anatomy
    from canalwise.workbench.console.search_tables import access_lines

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    task = USUAL_WANTED if args.task is None else named(args.task)
    question = SearchTask(task=task, budget=args.budget, seed=args.seed)
    prepared = prepared_level(case.anatomy, args.level)
    with voice.counting("comparing", question.budget) as progress:
        document = of_anatomy(case, compared_json(prepared, question, progress))
    keep_result(case, f"compare-{args.level}", document)
    voice.result(document, access_lines(document))
    voice.warn([*case.notes, *document["warnings"]])
    return 0


VERB = Verb("compare", "left, right, both sides and midline laminectomy", ABOUT, options, run)
