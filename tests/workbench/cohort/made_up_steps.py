"""Steps of a made-up cohort: what they do is written in the scan's own file, so that workers need nothing else."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np

from canalwise.recon.errors import UnusableInput
from canalwise.recon.serialization import write_json_atomic
from canalwise.workbench.cohort.steps import CaseWork, CohortStep

HOG_MB = 200_000
"""More than any worker of the tests may have."""


def act(work: CaseWork) -> None:
    """Leaves an estimate with one number, or comes to grief as the scan's file says."""
    what, _, rest = work.line.scan.read_text().partition(" ")
    if what == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "die-once" and not Path(rest).exists():
        Path(rest).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "hog":
        np.ones(HOG_MB * 1_000_000 // 8)
    if what == "corrupt":
        raise UnusableInput("the scan", "must be whole", do="Copy it anew.")
    if what == "keeps" and "MALLOC_TRIM_THRESHOLD_" in os.environ:
        raise UnusableInput("the worker", "must keep the memory that it had: every page would be asked for again")
    if what == "bug":
        raise KeyError("Doe, John")
    if what == "slow":
        time.sleep(float(rest))
    (work.folder / "results").mkdir(parents=True, exist_ok=True)
    for level in work.line.level:
        with work.each_level("act", level):
            _estimate(work, level, what)


def _estimate(work: CaseWork, level: str, what: str) -> None:
    if what == "half" and level == "L4-L5":
        raise UnusableInput("targets of L4-L5", "must be in view")
    estimate = {
        "schema": "canalwise.estimate/1",
        "level": level,
        "side": work.line.side,
        "resection": {"bone_removed_mm3": {"total": float(len(what)), "interval95": [1.0, 9.0]}},
        "verdict": {"freed": True, "kept": len(what) > 3},
        "freed": {"share": 0.95},
    }
    write_json_atomic(work.folder / "results" / f"{level}.json", estimate)


STEPS = (CohortStep("act", act),)
