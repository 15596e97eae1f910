"""Narrow spines drawn at random for questions about operations: moderate to severe, sides apart, otherwise ordinary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canalwise.phantoms.cases.suite import stenosis
from canalwise.phantoms.spec import SpineSpec

LEVELS = ("L3-L4", "L4-L5")
"""Where most lumbar stenosis is."""

MILDEST, WORST = 0.6, 1.5
"""Degrees of stenosis, 1 is moderate and 1.4 severe in `phantoms.cases.suite` (choice)."""


def stenotic_spec(seed: int) -> tuple[SpineSpec, str]:
    """A spine and its narrow level; the same seed gives the same spine.

    A quarter of the levels have slipped, a quarter have a calcified sheet. What the canal loses to the joints is bone:
    the processes of a worn joint are overgrown, and roof the recesses.

    >>> stenotic_spec(3) == stenotic_spec(3), stenotic_spec(4)[1]
    (True, 'L3-L4')
    """
    rng = np.random.default_rng(seed)
    level = LEVELS[seed % len(LEVELS)]
    left, right = (float(degree) for degree in rng.uniform(MILDEST, WORST, 2))
    calcified_mm = float(rng.uniform(0.0, 1.5)) if rng.random() < 0.25 else 0.0
    slip_mm = float(rng.uniform(0.0, 5.0)) if rng.random() < 0.25 else 0.0
    knobs = replace(stenosis(left, right, slip_mm, calcified_mm), bony=True)
    rng.random()  # drawn when bone was a matter of chance, so that a seed still gives the same spine
    size, lordosis = float(rng.uniform(0.9, 1.1)), float(rng.uniform(35.0, 65.0))
    return SpineSpec(levels={level: knobs}, size_frac=size, lordosis_deg=lordosis, trabecular_hu=110.0), level
