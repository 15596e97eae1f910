"""Which approach a command works on, and the plan and result files it leaves in the case."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.plan_file import ANATOMY_KEY, KeptPlan, plan_text, read_kept_plan, read_plan
from canalwise.estimator.outcome.label_maps import resection_map, room_map
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection_level import Resection
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.folder import Case, changing
from canalwise.recon.errors import CanalwiseError, WrongUse
from canalwise.recon.intake.nifti_writer import write_nifti
from canalwise.recon.labels import Side, level_vertebrae
from canalwise.recon.serialization import write_bytes_atomic, write_json_atomic
from canalwise.workbench.console.options import changed, channel_of, checked_choice, single_values

NAME_BYTES = 128
"""Longest name of a plan: every file system takes it, with the ending and what is written beside it."""

DEVICES = frozenset({"CON", "PRN", "AUX", "NUL", *(f"{port}{n}" for port in ("COM", "LPT") for n in "123456789")})
"""Names under which Windows opens a device instead of a file, whatever ending follows
(https://learn.microsoft.com/windows/win32/fileio/naming-a-file)."""


def plan_name(level: str, side: Side) -> str:
    """The name under which a plan and its results are kept unless another is given.

    >>> plan_name("L3-L4", "left")
    'L3-L4-left'
    """
    return f"{level}-{side}"


OTHER_ANATOMY = (
    "was made on another anatomy than the case has now, for the case was corrected or built anew since: "
    "its places may mean others. Check it on the pictures before it is used."
)
"""What is said of a plan that carries another checksum."""


def requested_approach(case: Case, args: argparse.Namespace) -> KeptPlan:
    """The plan in --plan, or the usual start for --level and --side with the single values changed.

    Raises
    ------
    BadFile : --plan names no plan
    WrongUse : neither or both are given, or a value cannot mean anything
    LevelNotInView, AnatomyNotFound : the anatomy does not show what the start needs
    """
    checked_choice(args)
    if args.plan:
        return read_kept_plan(args.plan)
    level_vertebrae(args.level)
    start = default_approach(case.anatomy, args.level, args.side, channel_of(args))
    return KeptPlan(changed(start, single_values(args)), case.anatomy_sha256)


def kept_approach(case: Case, args: argparse.Namespace) -> KeptPlan:
    """As `requested_approach`, but a plan kept in the case for that level and side comes before the usual start."""
    checked_choice(args)
    # single values on the command line mean another approach than the one that is kept
    kept = None if args.plan else plan_path(case, plan_name(args.level, args.side))
    if kept and kept.is_file() and not single_values(args):
        case.anatomy.level(args.level)
        return read_kept_plan(kept)
    return requested_approach(case, args)


def plan_notes(case: Case, plan: KeptPlan, name: str = "") -> tuple[str, ...]:
    """A sentence where a plan was made on another anatomy than the case's; none where it does not say.

    >>> case = Case(None, None, Path("case"), "ab")                  # type: ignore[arg-type]
    >>> plan_notes(case, KeptPlan(None, "ab")), len(plan_notes(case, KeptPlan(None, "cd")))  # type: ignore[arg-type]
    ((), 1)
    """
    if not plan.anatomy_sha256 or not case.anatomy_sha256 or plan.anatomy_sha256 == case.anatomy_sha256:
        return ()
    return (f"The plan{f' {name!r}' if name else ''} {OTHER_ANATOMY}",)


def noted_anatomy(case: Case, plan: KeptPlan) -> Anatomy:
    """The case's anatomy, which warns beside its own warnings of a plan that was made on another."""
    return replace(case.anatomy, warnings=(*plan_notes(case, plan), *case.anatomy.warnings))


def of_anatomy(case: Case, document: Mapping[str, Any]) -> dict[str, Any]:
    """A result with the checksum of the anatomy that it was worked out on, for whoever finds it later."""
    return {**document, ANATOMY_KEY: case.anatomy_sha256}


def plan_path(case: Case, name: str) -> Path:
    """Where a plan of that name lies; raises WrongUse for a name that would leave the folder or is a device's."""
    if not name or name != Path(name).name or name.startswith(".") or "\0" in name:
        raise WrongUse("--name", "must be a plain file name without folders", got=name)
    if name.partition(".")[0].rstrip().upper() in DEVICES:
        raise WrongUse("--name", "must not be the name of a device on Windows", got=name, do="Add a word to it.")
    if len(name.encode(errors="replace")) > NAME_BYTES:
        raise WrongUse("--name", f"must be at most {NAME_BYTES} bytes long", got=name, do="Give a shorter name.")
    return case.folder / "plans" / f"{name}.toml"


def plan_names(case: Case) -> list[str]:
    """Names of the plans kept in the case, in alphabetical order."""
    return sorted(path.stem for path in (case.folder / "plans").glob("*.toml"))


def check_plan_free(path: Path, approach: Approach, force: bool) -> None:
    """Refuses to write over another plan of the same name, which a person may have edited."""
    if not force and path.exists() and not is_same_plan(path, approach):
        raise WrongUse(
            f"the plan '{path.stem}'",
            "is already in the case with other values",
            do="Keep both with --name NAME, use the kept one with --plan, or replace it with --force.",
        )


def is_same_plan(path: Path, approach: Approach) -> bool:
    """Does a file hold this approach, whatever anatomy it was made on? No, where it holds none that can be read."""
    try:
        return read_plan(path) == approach
    except CanalwiseError:
        return False


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
    """Writes plans/NAME.toml, whole or not at all; raises BadCase where the case was rewritten since it was read."""
    with changing(case):
        write_plan(case, name, approach)


def write_plan(case: Case, name: str, approach: Approach) -> None:
    """Writes plans/NAME.toml into a case that is locked (`recon.case.folder.changing`)."""
    path = plan_path(case, name)
    path.parent.mkdir(exist_ok=True)
    write_bytes_atomic(path, plan_text(approach, case.anatomy_sha256).encode())


def keep_result(case: Case, name: str, document: Mapping[str, Any]) -> None:
    """Writes results/NAME.json, whole or not at all; raises BadCase where the case was rewritten since it was read."""
    with changing(case) as folder:
        (folder / "results").mkdir(exist_ok=True)
        write_json_atomic(folder / "results" / f"{name}.json", document)


def keep_estimate(case: Case, name: str, approach: Approach, estimate: Mapping[str, Any]) -> None:
    """Writes plans/NAME.toml and results/NAME.json, each whole or not at all; raises BadCase as `keep_plan`."""
    keep_plan(case, name, approach)
    keep_result(case, name, estimate)


def keep_freed_maps(case: Case, name: str, resection: Resection) -> None:
    """Writes results/NAME-room.nii.gz and results/NAME-resection.nii.gz, each whole or not at all."""
    for what, voxels in (("room", room_map(resection.at)), ("resection", resection_map(resection))):
        path = case.folder / "results" / f"{name}-{what}.nii.gz"
        part = path.with_name(f".{path.name}")
        write_nifti(part, voxels, case.anatomy.grid)
        part.replace(path)
