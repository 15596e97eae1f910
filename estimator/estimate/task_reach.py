"""Share of the requested targets that an exact estimate reaches."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.estimate.estimate import Estimate


def reached_exactly(estimate: Estimate) -> float:
    """Mean over the requested sets in view of the share touched; 0 where none is in view."""
    shares = [share for share in estimate.task_reached_frac.values() if share == share]
    return float(np.mean(shares)) if shares else 0.0
