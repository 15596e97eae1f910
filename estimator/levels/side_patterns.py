"""From which side each level is approached: one side for all, or sides in turn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from canalwise.estimator.approach.approach import other_side
from canalwise.recon.labels import SIDES, Side


def side_patterns(levels: Sequence[str]) -> dict[str, tuple[Side, ...]]:
    """Name of a pattern -> side of each level, cranial to caudal.

    >>> side_patterns(["L3-L4", "L4-L5"])["alternating from the left"]
    ('left', 'right')
    >>> list(side_patterns(["L3-L4"]))
    ['all from the left', 'all from the right']
    """
    every: dict[str, tuple[Side, ...]] = {f"all from the {side}": (side,) * len(levels) for side in SIDES}
    if len(levels) > 1:
        for side in SIDES:
            turns = (side, other_side(side))
            every[f"alternating from the {side}"] = tuple(turns[n % 2] for n in range(len(levels)))
    return every


def order_of(tightness: Mapping[str, float]) -> tuple[str, ...]:
    """Levels in the order in which to operate: the tightest first (common practice, no source).

    Parameters
    ----------
    tightness : level -> free area there is, as a share of what is needed; levels cranial to caudal, ties keep that

    >>> order_of({"L3-L4": 0.8, "L4-L5": 0.4})
    ('L4-L5', 'L3-L4')
    """
    return tuple(sorted(tightness, key=lambda level: tightness[level]))
