"""Which approach a command works on, and the plan and result files it leaves in the case."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.plan_file import plan_text, read_plan
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import WrongUse
from canalwise.recon.labels import Side, level_vertebrae
from canalwise.recon.serialization import write_bytes_atomic, write_json_atomic
from canalwise.workbench.console.options import changed, channel_of, checked_choice, single_values


def plan_name(level: str, side: Side) -> str:
    """The name under which a plan and its results are kept unless another is given.

    >>> plan_name("L3-L4", "left")
    'L3-L4-left'
    """
    return f"{level}-{side}"


def requested_approach(anatomy: Anatomy, args: argparse.Namespace) -> Approach:
    """The approach in --plan, or the usual start for --level and --side with the single values changed.

    Raises
    ------
    WrongUse : neither or both are given, or a value cannot mean anything
    LevelNotInView, AnatomyNotFound : the anatomy does not show what the start needs
    """
    checked_choice(args)
    if args.plan:
        return read_plan(args.plan)
    level_vertebrae(args.level)
    return changed(default_approach(anatomy, args.level, args.side, channel_of(args)), single_values(args))


def kept_approach(case: Case, args: argparse.Namespace) -> Approach:
    """As `requested_approach`, but a plan kept in the case for that level and side comes before the usual start."""
    checked_choice(args)
    # single values on the command line mean another approach than the one that is kept
    kept = None if args.plan else plan_path(case, plan_name(args.level, args.side))
    if kept and kept.is_file() and not single_values(args):
        case.anatomy.level(args.level)
        return read_plan(kept)
    return requested_approach(case.anatomy, args)


def plan_path(case: Case, name: str) -> Path:
    """Where a plan of that name lies; raises WrongUse for a name that would leave the folder."""
    if not name or name != Path(name).name or name.startswith("."):
        raise WrongUse("--name", "must be a plain file name without folders", got=name)
    return case.folder / "plans" / f"{name}.toml"


def plan_names(case: Case) -> list[str]:
    """Names of the plans kept in the case, in alphabetical order."""
    return sorted(path.stem for path in (case.folder / "plans").glob("*.toml"))


def check_plan_free(path: Path, approach: Approach, force: bool) -> None:
    """Refuses to write over another plan of the same name, which a person may have edited."""
    if not force and path.exists() and path.read_text(encoding="utf-8") != plan_text(approach):
        raise WrongUse(
            f"the plan '{path.stem}'",
            "is already in the case with other values",
            do="Keep both with --name NAME, use the kept one with --plan, or replace it with --force.",
        )


def check_names_free(case: Case, names: Sequence[str], force: bool) -> None:
    """Refuses, before any work is done, to find plans whose names are taken: a person may have edited them."""
    taken = [name for name in names if plan_path(case, name).exists()]
    if taken and not force:
        raise WrongUse(
            f"the plan '{taken[0]}'",
            "is already in the case",
            do="Keep both with --name NAME, or replace it with --force.",
        )


def keep_plan(case: Case, name: str, approach: Approach) -> None:
    """Writes plans/NAME.toml, whole or not at all."""
    path = plan_path(case, name)
    path.parent.mkdir(exist_ok=True)
    write_bytes_atomic(path, plan_text(approach).encode())


def keep_estimate(case: Case, name: str, approach: Approach, estimate: Mapping[str, Any]) -> None:
    """Writes plans/NAME.toml and results/NAME.json, each whole or not at all."""
    keep_plan(case, name, approach)
    (case.folder / "results").mkdir(exist_ok=True)
    write_json_atomic(case.folder / "results" / f"{name}.json", estimate)
