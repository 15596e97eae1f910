"""When the difference between two plans is none: too small to matter, or one that errors could turn round."""

from __future__ import annotations

SAME_MM3 = 20.0
"""Less bone than this is no difference to a surgeon: a few bites of a punch (choice)."""


def is_tie(value: float, ends: tuple[float, float], least_difference: float) -> bool:
    """Is a difference, with its 95 % interval, too small to matter, or could errors turn it round?

    >>> is_tie(50.0, (-10.0, 110.0), 20.0), is_tie(15.0, (12.0, 18.0), 20.0), is_tie(50.0, (10.0, 90.0), 20.0)
    (True, True, False)
    """
    return bool(abs(value) < least_difference or ends[0] <= 0.0 <= ends[1])
