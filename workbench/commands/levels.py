"""canalwise levels: several levels of one spine."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwise.recon.labels import SIDES
from canalwise.workbench.console.options import add_case, add_json, add_strict
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

if TYPE_CHECKING:
    from canalwise.recon.case.folder import Case

ABOUT = """\
Plan several levels of one spine together. Each level has an approach of its own; what they take from a vertebra
that two of them share is counted once, every limit is held against all of it, and the bridge of lamina that stays
between two windows is a limit of its own. All levels from one side are compared with sides in turn, and for
neighbours one skin entry for both is looked for and compared with an entry each.

Without --levels those are taken whose measured dural sac is narrow: a proposal, for symptoms decide. A plan given
with --plan takes the place of the usual start for its level. The chosen plans are kept as
plans/LEVEL-SIDE-of-several.toml, all of it as results/levels.json in the case.

examples:
  canalwise levels case --levels L3-L4,L4-L5
  canalwise levels case --levels L2-L3,L3-L4,L4-L5 --side left --sheet
  canalwise levels case --levels L3-L4,L4-L5 --plan case/plans/L3-L4-search.toml

prints the verdict, the patterns of sides, each level, what each vertebra loses, the bridges of lamina,
the order, and whether one skin entry serves.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE, the levels, and what is fixed."""
    add_case(parser)
    parser.add_argument(
        "--levels",
        type=level_names,
        metavar="L3-L4,L4-L5",
        help="the levels, apart by commas (usual: all whose measured dural sac is narrow)",
    )
    parser.add_argument("--side", choices=SIDES, help="all from this side (usual: both, and turns, are compared)")
    parser.add_argument(
        "--plan", type=Path, action="append", default=[], metavar="FILE", help="a plan for its level; may be repeated"
    )
    parser.add_argument("--separate", action="store_true", help="do not look for one skin entry for two levels")
    parser.add_argument("--sheet", action="store_true", help="write levels.html, one page to print, into the case")
    parser.add_argument("--force", action="store_true", help="replace plans of those names")
    add_strict(parser)
    add_json(parser)


def level_names(text: str) -> tuple[str, ...]:
    """The levels in a comma-separated list; argparse reports a bad one.

    >>> level_names("L3-L4, L4-L5")
    ('L3-L4', 'L4-L5')
    """
    from canalwise.recon.errors import WrongUse
    from canalwise.recon.labels import level_vertebrae

    names = tuple(name.strip() for name in text.split(","))
    try:
        for name in names:
            level_vertebrae(name)
    except WrongUse as problem:
        raise argparse.ArgumentTypeError(str(problem)) from None
    return names


def run(args: argparse.Namespace) -> int:
    """Reads a case, plans its levels together, and keeps plans and numbers."""
    from canalwise.estimator.estimate.estimate_json import plain
    from canalwise.estimator.levels.levels_json import levels_as_json
    from canalwise.estimator.levels.levels_plan import levels_plan
    from canalwise.estimator.levels.proposal import narrow_levels
    from canalwise.estimator.outcome.decompressed import decompressed
    from canalwise.recon.case.folder import changing, read_case
    from canalwise.recon.serialization import write_bytes_atomic
    from canalwise.workbench.console.json_results import BREACHED
    from canalwise.workbench.console.levels_tables import levels_lines
    from canalwise.workbench.console.plan_store import check_names_free, keep_plan, keep_result, of_anatomy
    from canalwise.workbench.sheet.levels_sheet import levels_sheet

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    plans = _plans(case, args)
    names = args.levels or narrow_levels(case.anatomy)
    with voice.busy("planning the levels") as progress:
        found = levels_plan(
            case.anatomy, names, decompressed, side=args.side, plans=plans, share=not args.separate, progress=progress
        )
    chosen = [one.resection.approach for one in found.best.found]
    kept = [f"{plan.level}-{plan.side}-of-several" for plan in chosen]
    check_names_free(case, kept, args.force)
    for name, plan in zip(kept, chosen, strict=True):
        keep_plan(case, name, plan)
    document = of_anatomy(case, plain(levels_as_json(found)))
    keep_result(case, "levels", document)
    if args.sheet:
        with changing(case) as folder:
            write_bytes_atomic(folder / "levels.html", levels_sheet(case.scan, found, document).encode())
    voice.result(document, levels_lines(document))
    voice.warn([*case.notes, *case.anatomy.warnings])
    return BREACHED if args.strict and not found.best.good else 0


def _plans(case: Case, args: argparse.Namespace) -> dict[str, Any]:
    """Level -> the approach given for it; raises WrongUse where a level has two."""
    from canalwise.estimator.approach.plan_file import read_kept_plan
    from canalwise.recon.errors import WrongUse

    kept = [read_kept_plan(path) for path in args.plan]
    plans = {one.approach.level: one.approach for one in kept}
    if len(plans) < len(kept):
        raise WrongUse("--plan", "must be given once for a level")
    if args.side and any(plan.side != args.side for plan in plans.values()):
        raise WrongUse("--side", "must be that of the plans given", got=args.side, do="Leave it out.")
    return plans


VERB = Verb("levels", "several levels together: shared arches, one skin entry", ABOUT, options, run)
