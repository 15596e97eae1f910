"""canalwise search: better approaches."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from canalwise.recon.labels import SIDES
from canalwise.workbench.console.options import add_breadth, add_case, add_json, add_level, add_strict, breadth_of
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

if TYPE_CHECKING:
    from canalwise.estimator.search.search_task import SearchTask

ABOUT = """\
Look for better approaches to a level: over side, docking point, pivot, tilts and instrument. The best
takes the least bone, weighted by its worth, that frees at least 90 % of what presses on each side with
every limit kept; where no plan found does, that is said first, and the one that frees most within the
limits is shown. Beside it stand the next best plan and what it would cost, the plan likeliest to succeed
as executed, and the plans of which none frees more for less bone. All numbers are exact estimates.

--breadth says how much of the canal is to be freed: central, with-recesses (usual) or with-foramen.
The same --seed gives the same answer. Ctrl-C stops early with the best found so far.

The best is kept as plans/NAME.toml, the likeliest as plans/NAME-robust.toml, all of it as
results/search-LEVEL.json in the case. --strict fails where the best frees too little or breaks a limit.

examples:
  canalwise search case --level L3-L4
  canalwise search case --level L3-L4 --side left --instrument any --budget 2000
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the level, and what is searched for."""
    add_case(parser)
    add_level(parser)
    parser.add_argument("--side", choices=SIDES, help="search from this side of the patient only (usual: both)")
    parser.add_argument(
        "--instrument",
        default="8mm",
        metavar="SLEEVE",
        help="instrument by the outer diameter of its sleeve: 8mm, 9mm, 12mm or any (usual: 8mm)",
    )
    add_breadth(parser)
    parser.add_argument("--budget", type=int, metavar="N", help="approaches looked at (usual: 800)")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of the random numbers (0)")
    parser.add_argument("--name", help="name of the plan that is kept (usual: LEVEL-search)")
    parser.add_argument("--force", action="store_true", help="replace plans of that name")
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, searches, and keeps plans and numbers."""
    from canalwise.estimator.level.prepared_level import prepared_level
    from canalwise.estimator.search.best_approach import search
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.console.json_results import BREACHED, searched_json
    from canalwise.workbench.console.plan_store import check_names_free, keep_plan, keep_result, of_anatomy
    from canalwise.workbench.console.search_tables import search_lines

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    question = question_of(args)
    name = args.name or f"{args.level}-search"
    names = (name, f"{name}-robust")
    check_names_free(case, names, args.force)
    prepared = prepared_level(case.anatomy, args.level)
    with voice.counting("searching", question.budget) as progress:
        found = search(prepared, question, progress)
    warnings = [*case.anatomy.warnings, *prepared.level.warnings]
    document = of_anatomy(case, searched_json(found)) | {"warnings": warnings}
    for plan, pick in zip(names, (found.best, found.robust), strict=True):
        keep_plan(case, plan, pick.approach)
    keep_result(case, f"search-{args.level}", document)
    voice.result(document, search_lines(document))
    voice.warn([*case.notes, *warnings])
    return BREACHED if args.strict and not found.best.numbers.good else 0


def question_of(args: argparse.Namespace) -> SearchTask:
    """The search task of the options; raises WrongUse for a name that is unknown."""
    from canalwise.estimator.approach.search_bounds import instruments_named
    from canalwise.estimator.search.search_task import BUDGET, SearchTask

    return SearchTask(
        sides=SIDES if args.side is None else (args.side,),
        instruments=instruments_named(args.instrument),
        breadth=breadth_of(args),
        budget=BUDGET if args.budget is None else args.budget,
        seed=args.seed,
    )


VERB = Verb("search", "better approaches: least bone that frees enough", ABOUT, options, run)
