"""canalwise estimate: one approach to numbers."""

from __future__ import annotations

import argparse

from canalwise.workbench.console.options import add_approach, add_case, add_json, add_strict, add_trial, task_of
from canalwise.workbench.console.output import CommandOutput
from canalwise.workbench.console.verb import Verb

ABOUT = """\
Say what one approach takes, keeps and reaches: bone removed by structure, what stays of both
facet joints, pars and spinous base, contralateral reach and what limits it, canal area freed.
The approach is kept as plans/NAME.toml, the numbers as results/NAME.json in the case; beside them
NAME-room.nii.gz, the room needed (1 free, 2 ligament, 3 calcification, 4 bony overhang to take),
and NAME-resection.nii.gz, percent of each voxel's bone that goes to free it.

examples:
  canalwise estimate case --level L3-L4 --side left
  canalwise estimate case --level L3-L4 --side left --over-the-top-medial-tilt-deg 22 --name steeper
  canalwise estimate case --plan case/plans/steeper.toml
  canalwise estimate case --level L3-L4 --side left --task contralateral-recess,roof
  canalwise estimate case --level L3-L4 --side left --guidance navigated --experience trainee

prints first whether the plan frees enough and keeps every limit, with the chance that it does under
execution errors; what it frees and takes; then the headline numbers for the task (only what
must go to touch the requested targets) and the cone (all the sweep could take), every limit and the reach.
Numbers carry 95 % intervals from uncertain borders and execution errors (--guidance,
--experience). With --strict the status is 4 when a plan is not freed and kept.
"""


def options(parser: argparse.ArgumentParser) -> None:
    """CASE and the approach."""
    add_case(parser)
    add_approach(parser)
    parser.add_argument("--name", help="name of the plan and its results (usual: LEVEL-SIDE, such as L3-L4-left)")
    parser.add_argument("--force", action="store_true", help="replace a plan of that name that has other values")
    add_trial(parser)
    add_strict(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Reads a case, estimates one approach, and keeps plan and numbers."""
    from canalwise.estimator.approach.execution_errors import execution_errors_of
    from canalwise.estimator.estimate.monte_carlo import MonteCarloOptions
    from canalwise.recon.case.folder import read_case
    from canalwise.workbench.console.json_results import exit_status, json_and_decompressed_level
    from canalwise.workbench.console.plan_store import (
        check_plan_free,
        keep_estimate,
        keep_freed_maps,
        noted_anatomy,
        of_anatomy,
        plan_name,
        plan_path,
        requested_approach,
    )
    from canalwise.workbench.console.tables import estimate_lines

    voice = CommandOutput(args.json)
    case = read_case(args.case)
    plan = requested_approach(case, args)
    approach = plan.approach
    task = task_of(args)
    name = args.name or (args.plan.stem if args.plan else plan_name(approach.level, approach.side))
    check_plan_free(plan_path(case, name), approach, args.force)
    with voice.busy("estimating"):
        errors = execution_errors_of(args.guidance, args.experience)
        trial = None if args.no_intervals else MonteCarloOptions(args.samples, args.seed, errors)
        numbers, freed = json_and_decompressed_level(noted_anatomy(case, plan), approach, task, trial)
        document = of_anatomy(case, numbers)
    keep_estimate(case, name, approach, document)
    if freed is not None:
        keep_freed_maps(case, name, freed.resection)
    voice.result(document, estimate_lines(document))
    voice.warn([*case.notes, *document["warnings"]])
    return exit_status([document], args.strict)


VERB = Verb("estimate", "what one approach takes, keeps and reaches", ABOUT, options, run)
