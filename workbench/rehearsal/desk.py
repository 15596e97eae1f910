"""A case laid open for rehearsal, with what is worth keeping between questions."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from estimator.approach import Approach
from estimator.estimate import Estimate, estimate_of
from estimator.prepared import PreparedLevel, prepared_level
from estimator.task_names import chosen
from recon.case import Case
from recon.errors import BadCase, WrongUse
from workbench.lesson import Lesson, built_in_lessons
from workbench.radiograph import Radiograph, RadiographView
from workbench.rehearsal.lately import Lately
from workbench.rehearsal.made import Made

PREPARED = 2
"""Levels kept prepared at a time: what one surgeon goes back and forth between, in bounded memory."""

ESTIMATES = 4
"""Exact estimates kept: numbers, removal and picture of one plan are asked for one after the other."""


@dataclass(eq=False)
class Desk:
    """An opened case; its parts may be asked for from any thread.

    Parameters
    ----------
    lessons : by name
    made : pages made for a person to open or print
    writing : held while files of the case are changed
    """

    case: Case
    lessons: Mapping[str, Lesson] = field(default_factory=built_in_lessons)
    _prepared: Lately[str, PreparedLevel] = field(default_factory=lambda: Lately(PREPARED))
    _estimates: Lately[tuple[Approach, tuple[str, ...]], Estimate] = field(default_factory=lambda: Lately(ESTIMATES))
    frames: Lately[tuple[str, str], bytes] = field(default_factory=lambda: Lately(2 * PREPARED))
    radiographs: Lately[tuple[str, RadiographView], Radiograph] = field(default_factory=lambda: Lately(3 * PREPARED))
    made: Made = field(default_factory=Made)
    writing: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self._opened = _anatomy_on_disk(self.case.folder)

    def folder(self) -> Path:
        """Where the case lies; raises BadCase where it has gone or was built anew since it was opened.

        A case that was built anew may have other frames: a plan of this one would mean another place in it.
        """
        there = _anatomy_on_disk(self.case.folder)
        if there is None:
            raise BadCase("the case", "must still be where it was opened", do="Put it back; estimates go on meanwhile.")
        if there != self._opened:
            raise BadCase("the case", "must be the one that was opened", got="one built anew since",
                          do="End this server, and rehearse the new case.")  # fmt: skip
        return self.case.folder

    def prepared(self, level: str) -> PreparedLevel:
        """The level, made ready for exact estimates once; raises LevelNotInView where there is none."""
        return self._prepared.found(level, lambda: prepared_level(self.case.anatomy, level).ready())

    def exact(self, plan: Approach, task: Sequence[str]) -> Estimate:
        """The estimate of a plan; raises as `estimator.estimate.estimate`, and WrongUse for a task of nothing."""
        asked = chosen(task)
        if not asked:
            raise WrongUse("the task", "must name at least one set of targets")
        prepared = self.prepared(plan.level)
        return self._estimates.found((plan, asked), lambda: estimate_of(prepared, plan, asked))


def _anatomy_on_disk(folder: Path) -> tuple[int, int] | None:
    """What tells one build's file from another's; None where there is no case."""
    try:
        found = (folder / "anatomy.json").stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
