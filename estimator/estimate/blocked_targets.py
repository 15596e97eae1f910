"""Causes that keep an approach from the points of a target set that it does not touch."""

from __future__ import annotations

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side, placed_phases, works_across
from canalwise.estimator.level.prepared_level import PreparedLevel
from canalwise.estimator.level.target_names import FROM_TARGETS
from canalwise.estimator.removal.reach import touch_of

NOTHING = "nothing"

IN_WORDS = {
    "sac": "behind the sac",
    "protected bone": "behind bone that must stay",
    "sweep": "beyond the sweep",
    "working length": "beyond the working length",
    NOTHING: "just missed",
}
"""How it is reported of a set."""


def blocking_structures(prepared: PreparedLevel, approach: Approach, set_name: str) -> str:
    """'sac', 'protected bone', 'sweep' or 'working length': what keeps most of the missed points from being touched.

    Looked at is the phase meant for the set's side; 'nothing' where all points are touched or none is in view.

    Parameters
    ----------
    set_name : of `estimator.level.target_names.FROM_TARGETS`
    """
    across, name = FROM_TARGETS[set_name]
    side = other_side(approach.side) if across else approach.side
    targets = prepared.level.targets.get(side)
    points = None if targets is None else targets.points_ras_mm.get(name)
    if points is None or len(points) == 0:
        return NOTHING
    placed = placed_phases(approach, prepared.level.frame)
    meant = tuple(p for p in placed if works_across(p.name) == across) or placed
    touch = touch_of(prepared.anatomy, meant, prepared.keep_out(approach.channel.tool_radius_mm), points)
    missed = ~touch.touched.any(axis=0)
    causes = {
        "sac": (touch.sight_mm < 0).all(axis=0),
        "protected bone": (~touch.bone_free).all(axis=0),
        "sweep": (~touch.in_cone).all(axis=0),
        "working length": (~touch.in_length).all(axis=0),
    }
    counts = {cause: int(np.sum(missed & stops)) for cause, stops in causes.items()}
    most = max(counts, key=lambda cause: counts[cause])
    return most if counts[most] else NOTHING
