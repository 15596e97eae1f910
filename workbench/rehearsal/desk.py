"""A case laid open for rehearsal, with what is worth keeping between questions."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field

from estimator.prepared import PreparedLevel, prepared_level
from recon.case import Case

PREPARED = 2
"""Levels kept prepared at a time: what one surgeon goes back and forth between, in bounded memory."""


@dataclass(eq=False)
class Desk:
    """An opened case; its parts may be asked for from any thread."""

    case: Case
    _prepared: OrderedDict[str, PreparedLevel] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def prepared(self, level: str) -> PreparedLevel:
        """The level, made ready for exact estimates once; raises LevelNotInView where there is none."""
        with self._lock:
            if level not in self._prepared:
                self._prepared[level] = prepared_level(self.case.anatomy, level).ready()
                while len(self._prepared) > PREPARED:
                    self._prepared.popitem(last=False)
            self._prepared.move_to_end(level)
            return self._prepared[level]
