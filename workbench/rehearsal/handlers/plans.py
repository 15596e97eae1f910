"""Questions about what is kept in the case: named plans, which all pages share, and each tab's own state."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.approach.plan_file import read_kept_plan
from canalwise.recon.errors import BadFile, WrongUse
from canalwise.workbench.console.plan_store import (
    NAME_BYTES,
    is_same_plan,
    plan_names,
    plan_notes,
    plan_path,
    write_plan,
)
from canalwise.workbench.rehearsal.session.autosave import keep, recalled
from canalwise.workbench.rehearsal.session.request import Json, RequestJob, RequestKind
from canalwise.workbench.rehearsal.session.session import Session

NAME_CHARACTERS = 64
"""Longest name of a plan that a list can show."""

NOT_IN_NAMES = set('<>:"/\\|?*')
"""Characters that some file system does not take (as Windows lists them)."""


@dataclass(frozen=True)
class PlanListRequest:
    """Which plans are there?"""


@dataclass(frozen=True)
class OpenPlanRequest:
    """The plan of that name."""

    name: str


@dataclass(frozen=True)
class SavePlanRequest:
    """Keep a plan under a name; `replace` another of that name."""

    name: str
    plan: Approach
    replace: bool


@dataclass(frozen=True)
class DeletePlanRequest:
    """Remove the plan of that name."""

    name: str


@dataclass(frozen=True)
class SaveStateRequest:
    """Keep what a tab shows."""

    tab: str
    state: Any


@dataclass(frozen=True)
class LoadStateRequest:
    """What a tab showed."""

    tab: str


def list_plans(session: Session, _: PlanListRequest, job: RequestJob) -> Json:
    """Every plan's name."""
    session.folder()
    return {"plans": plan_names(session.case)}


def open_plan(session: Session, message: OpenPlanRequest, job: RequestJob) -> Json:
    """A plan, with a note where it was made on another anatomy.

    Raises BadFile where there is none of that name, LevelNotInView where it is of another case.
    """
    kept = read_kept_plan(_kept(session, message.name))
    session.case.anatomy.level(kept.approach.level)
    note = " ".join(plan_notes(session.case, kept, message.name))
    return {"name": message.name, "plan": asdict(kept.approach)} | ({"note": note} if note else {})


def save_plan(session: Session, message: SavePlanRequest, job: RequestJob) -> Json:
    """Writes a plan, whole or not at all; raises WrongUse where another has the name and is not to be replaced."""
    path = _free(session, message.name)
    session.case.anatomy.level(message.plan.level)
    with session.changing():
        if not message.replace and path.exists() and not is_same_plan(path, message.plan):
            raise WrongUse(f"the plan '{message.name}'", "is already in the case with other values",
                           do="Give another name, or replace it.")  # fmt: skip
        write_plan(session.case, message.name, message.plan)
    return {"name": message.name, "plans": plan_names(session.case)}


def forget_plan(session: Session, message: DeletePlanRequest, job: RequestJob) -> Json:
    """Removes a plan; raises BadFile where there is none of that name."""
    with session.changing():
        _kept(session, message.name).unlink(missing_ok=True)
    return {"plans": plan_names(session.case)}


def keep_state(session: Session, message: SaveStateRequest, job: RequestJob) -> Json:
    """Autosave."""
    keep(session, message.tab, message.state)
    return {}


def recall_state(session: Session, message: LoadStateRequest, job: RequestJob) -> Json:
    """What autosave kept, with a note where that was on another anatomy."""
    state, note = recalled(session, message.tab)
    return {"state": state} | ({"note": note} if note else {})


def _kept(session: Session, name: str) -> Path:
    """Where a plan of the case lies; a name is looked up among those that are there, never used as a path."""
    session.folder()
    if name not in plan_names(session.case):
        raise BadFile(f"the plan '{name}'", "must be in the case", do="Another page may have removed it.")
    return plan_path(session.case, name)


def _free(session: Session, name: str) -> Path:
    """Where a plan may be kept; raises WrongUse for what is no plain name."""
    session.folder()
    long = len(name) > NAME_CHARACTERS or len(name.encode()) > NAME_BYTES
    if long or not name.isprintable() or name != name.strip(" .") or NOT_IN_NAMES & set(name):
        raise WrongUse("the plan's name", f"must be up to {NAME_CHARACTERS} letters, digits, spaces or such", got=name,
                       do='Leave out < > : " / \\ | ? * and a dot at either end.')  # fmt: skip
    return plan_path(session.case, name)


ASKS = {
    "plans": RequestKind(PlanListRequest, list_plans),
    "open": RequestKind(OpenPlanRequest, open_plan),
    "save": RequestKind(SavePlanRequest, save_plan, always=True),
    "forget": RequestKind(DeletePlanRequest, forget_plan, always=True),
    "keep": RequestKind(SaveStateRequest, keep_state, newest_only=True, apart="tab", always=True),
    "recall": RequestKind(LoadStateRequest, recall_state),
}
