"""Questions about what is kept in the case: named plans, which all pages share, and each tab's own state."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from estimator.approach import Approach
from estimator.plan_file import plan_text, read_plan
from recon.errors import BadFile, WrongUse
from workbench.plans import keep_plan, plan_names, plan_path
from workbench.rehearsal.asks import Ask, Job, Json
from workbench.rehearsal.desk import Desk
from workbench.rehearsal.kept import keep, recalled

NAME_CHARACTERS, NAME_BYTES = 64, 128
"""Longest name of a plan: what a list can show, and what every file system takes."""

NOT_IN_NAMES = set('<>:"/\\|?*')
"""Characters that some file system does not take (as Windows lists them)."""


@dataclass(frozen=True)
class Plans:
    """Which plans are there?"""


@dataclass(frozen=True)
class Open:
    """The plan of that name."""

    name: str


@dataclass(frozen=True)
class Save:
    """Keep a plan under a name; `replace` another of that name."""

    name: str
    plan: Approach
    replace: bool


@dataclass(frozen=True)
class Forget:
    """Remove the plan of that name."""

    name: str


@dataclass(frozen=True)
class Keep:
    """Keep what a tab shows."""

    tab: str
    state: Any


@dataclass(frozen=True)
class Recall:
    """What a tab showed."""

    tab: str


def list_plans(desk: Desk, _: Plans, job: Job) -> Json:
    """Every plan's name."""
    desk.folder()
    return {"plans": plan_names(desk.case)}


def open_plan(desk: Desk, message: Open, job: Job) -> Json:
    """A plan; raises BadFile where there is none of that name, LevelNotInView where it is of another case."""
    plan = read_plan(_kept(desk, message.name))
    desk.case.anatomy.level(plan.level)
    return {"name": message.name, "plan": asdict(plan)}


def save_plan(desk: Desk, message: Save, job: Job) -> Json:
    """Writes a plan, whole or not at all; raises WrongUse where another has the name and is not to be replaced."""
    path = _free(desk, message.name)
    desk.case.anatomy.level(message.plan.level)
    with desk.writing:
        if not message.replace and path.exists() and path.read_text(encoding="utf-8") != plan_text(message.plan):
            raise WrongUse(f"the plan '{message.name}'", "is already in the case with other values",
                           do="Give another name, or replace it.")  # fmt: skip
        keep_plan(desk.case, message.name, message.plan)
    return {"name": message.name, "plans": plan_names(desk.case)}


def forget_plan(desk: Desk, message: Forget, job: Job) -> Json:
    """Removes a plan; raises BadFile where there is none of that name."""
    with desk.writing:
        _kept(desk, message.name).unlink(missing_ok=True)
    return {"plans": plan_names(desk.case)}


def keep_state(desk: Desk, message: Keep, job: Job) -> Json:
    """Autosave."""
    keep(desk, message.tab, message.state)
    return {}


def recall_state(desk: Desk, message: Recall, job: Job) -> Json:
    """What autosave kept."""
    return {"state": recalled(desk, message.tab)}


def _kept(desk: Desk, name: str) -> Path:
    """Where a plan of the case lies; a name is looked up among those that are there, never used as a path."""
    desk.folder()
    if name not in plan_names(desk.case):
        raise BadFile(f"the plan '{name}'", "must be in the case", do="Another page may have removed it.")
    return plan_path(desk.case, name)


def _free(desk: Desk, name: str) -> Path:
    """Where a plan may be kept; raises WrongUse for what is no plain name."""
    desk.folder()
    long = len(name) > NAME_CHARACTERS or len(name.encode()) > NAME_BYTES
    if long or not name.isprintable() or name != name.strip(" .") or NOT_IN_NAMES & set(name):
        raise WrongUse("the plan's name", f"must be up to {NAME_CHARACTERS} letters, digits, spaces or such", got=name,
                       do='Leave out < > : " / \\ | ? * and a dot at either end.')  # fmt: skip
    return plan_path(desk.case, name)


ASKS = {
    "plans": Ask(Plans, list_plans),
    "open": Ask(Open, open_plan),
    "save": Ask(Save, save_plan, always=True),
    "forget": Ask(Forget, forget_plan, always=True),
    "keep": Ask(Keep, keep_state, newest_only=True, apart="tab", always=True),
    "recall": Ask(Recall, recall_state),
}
