"""A case opened for rehearsal, with the values kept between requests."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from canalwise.estimator.approach.approach import Approach
from canalwise.estimator.estimate.estimate import Estimate, estimate_of
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.level.target_names import chosen
from canalwise.estimator.outcome.decompressed import DecompressedLevel, decompressed_or_none
from canalwise.recon.case.folder import Case
from canalwise.recon.errors import BadCase, WrongUse
from canalwise.recon.folder_lock import locked
from canalwise.workbench.images.radiograph_view import Radiograph, RadiographView
from canalwise.workbench.rehearsal.session.document_store import DocumentStore
from canalwise.workbench.rehearsal.session.lru_cache import LruCache
from canalwise.workbench.teaching.lesson_steps import Lesson

PREPARED = 2
"""Levels kept prepared at a time: what one surgeon goes back and forth between, in bounded memory."""

ESTIMATES = 4
"""Exact estimates kept: numbers, removal and picture of one plan are requested one after the other."""

FRAMES = 1
"""Scenes kept, of 7 MB each, for a page that is loaded again; an open page keeps the levels it has shown."""

RESECTIONS = 2
"""Resections kept, of some 8 MB each: that of the plan on the page and the one before it, to go back to."""


@dataclass(eq=False)
class Session:
    """An opened case; safe to use from any thread.

    Parameters
    ----------
    lessons : by name
    made : pages made for a person to open or print
    writing : held while files of the case are changed
    """

    case: Case
    lessons: Mapping[str, Lesson] = field(default_factory=dict)
    _prepared: LruCache[str, PreparedLevel] = field(default_factory=lambda: LruCache(PREPARED))
    _estimates: LruCache[tuple[Approach, tuple[str, ...]], Estimate] = field(
        default_factory=lambda: LruCache(ESTIMATES)
    )
    _resections: LruCache[Approach, DecompressedLevel | None] = field(default_factory=lambda: LruCache(RESECTIONS))
    frames: LruCache[tuple[str, str], bytes] = field(default_factory=lambda: LruCache(FRAMES))
    radiographs: LruCache[tuple[str, RadiographView], Radiograph] = field(
        default_factory=lambda: LruCache(3 * PREPARED)
    )
    made: DocumentStore = field(default_factory=DocumentStore)
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

    @contextmanager
    def changing(self) -> Iterator[Path]:
        """The case's folder, locked against rewrites and other pages, to write into it; raises as `folder`."""
        with self.writing, locked(self.folder()):
            # Once more: who held the lock before may have built the case anew.
            yield self.folder()

    def prepared(self, level: str) -> PreparedLevel:
        """The level, made ready for exact estimates once; raises LevelNotInView where there is none.

        What intervals and charts need is kept of the level last asked for only.
        """
        found = self._prepared.found(level, lambda: prepared_level(self.case.anatomy, level).ready())
        for other in self._prepared.others(level):
            other.release_arrays()
        return found

    def exact(self, plan: Approach, task: Sequence[str]) -> Estimate:
        """The estimate of a plan; raises as `estimator.estimate.estimate`, and WrongUse for a task of nothing."""
        targets = chosen(task)
        if not targets:
            raise WrongUse("the task", "must name at least one set of targets")
        prepared = self.prepared(plan.level)
        return self._estimates.found((plan, targets), lambda: estimate_of(prepared, plan, targets))

    def resected(self, plan: Approach) -> DecompressedLevel | None:
        """What a plan frees and takes for it; None where its level has no sac or no ligament. Raises as `prepared`."""
        prepared = self.prepared(plan.level)
        return self._resections.found(plan, lambda: _settled(decompressed_or_none(prepared, plan)))


def _settled(found: DecompressedLevel | None) -> DecompressedLevel | None:
    """What is kept of a resection: all but what its lower bound was worked out from."""
    return None if found is None else found.settled()


def _anatomy_on_disk(folder: Path) -> tuple[int, int] | None:
    """Modification time and size of a case's anatomy file; None where there is no case."""
    try:
        found = (folder / "anatomy.json").stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
