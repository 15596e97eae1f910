"""One row of a validation: what was found, what is required or published, and whether it passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

Kind = Literal["phantom truth", "published", "round trip"]


@dataclass(frozen=True)
class ValidationRow:
    """A row of the report.

    Parameters
    ----------
    kind : what it is held against
    quantity : in words, with its unit
    found : the worst error, or the median beside a published range
    low, high : what passes
    count : how many values it rests on; with none nothing was found, and the row does not pass
    source : where what passes comes from
    note : what is known of why it does not pass; empty where nothing is
    quartiles : of the values beside a published range; None of errors, of which the worst decides
    """

    kind: Kind
    quantity: str
    found: float
    low: float
    high: float
    count: int
    source: str
    note: str = ""
    quartiles: tuple[float, float] | None = None

    @property
    def passed(self) -> bool:
        """Does what was found lie between `low` and `high`?

        >>> ValidationRow("published", "lamina, %", 12.0, 11.2, 19.8, 4, "a paper").passed
        True
        """
        return self.count > 0 and self.low <= self.found <= self.high

    def as_json(self) -> dict[str, Any]:
        """The row as plain data; a number that is none is null."""
        data = asdict(self) | {"passed": self.passed}
        return {k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in data.items()}


def worst_row(quantity: str, errors: Sequence[float], tolerance: float, source: str) -> ValidationRow:
    """The row of errors against a phantom's truth, by the largest of them.

    >>> worst_row("reach mm", [0.1, -0.7], 0.5, "tolerance").passed
    False
    """
    found = max(errors, key=abs, default=float("nan"))
    return ValidationRow("phantom truth", quantity, float(found), -tolerance, tolerance, len(errors), source)


def median_row(quantity: str, values: Sequence[float], ends: tuple[float, float], source: str) -> ValidationRow:
    """The row of values beside a published range, by their median.

    >>> median_row("near lamina taken, %", [10.0, 14.0, 15.0], (11.2, 19.8), "a paper").found
    14.0
    """
    known = [value for value in values if np.isfinite(value)]
    if not known:
        return ValidationRow("published", quantity, float("nan"), *ends, 0, source)
    first, found, third = (float(value) for value in np.percentile(known, (25, 50, 75)))
    return ValidationRow("published", quantity, found, *ends, len(known), source, quartiles=(first, third))


def gathered(errors: Sequence[Mapping[str, Sequence[float]]]) -> dict[str, list[float]]:
    """Quantity -> errors of all cases.

    >>> gathered([{"a": [1.0]}, {"a": [2.0], "b": [3.0]}])
    {'a': [1.0, 2.0], 'b': [3.0]}
    """
    out: dict[str, list[float]] = {}
    for one in errors:
        for name, values in one.items():
            out.setdefault(name, []).extend(values)
    return out
