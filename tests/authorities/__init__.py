"""Published values as they were found, each with its source, for tests to hold our numbers against.

Every row says how it was obtained: READ (seen in an abstract or table), CALC (computed from stated
inputs), or MEM (from memory; may set a default, never a test). Lengths mm, areas mm2, angles deg.
"""

from __future__ import annotations

import csv
import tomllib
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent
ASSERTABLE = ("READ", "CALC")


@dataclass(frozen=True)
class Value:
    """One published value: a mean with its spread, or a range, of one quantity at one level."""

    quantity: str
    unit: str
    source: str
    evidence: str
    level: str = ""
    mean: float | None = None
    sd: float | None = None
    low: float | None = None
    high: float | None = None
    count: int | None = None
    note: str = ""

    def band(self, spreads: float = 3.0) -> tuple[float, float]:
        """(low, high): the range, or the mean with that many standard deviations either side.

        >>> Value("x", "mm", "s", "READ", mean=10.0, sd=2.0).band()
        (4.0, 16.0)
        """
        if self.low is not None and self.high is not None:
            return self.low, self.high
        if self.mean is None or self.sd is None:
            raise ValueError(f"{self.quantity} has neither a range nor a spread")
        return self.mean - spreads * self.sd, self.mean + spreads * self.sd


def values(file: str) -> tuple[Value, ...]:
    """All rows of one file, named without its ending; memory rows too, so check `evidence`."""
    table = tomllib.loads((FOLDER / f"{file}.toml").read_text())
    common = table.get("common", {})
    # A row's own fields win over those it shares with others of its source.
    rows = (common[row.pop("from")] | row if "from" in row else row for row in table["row"])
    return tuple(Value(**row) for row in rows)


def value(file: str, quantity: str, level: str = "") -> Value:
    """The one row that a test may assert; KeyError when there is none.

    >>> value("interlaminar", "window area", "L5-S1").mean
    144.57
    """
    found = [v for v in values(file) if (v.quantity, v.level) == (quantity, level) and v.evidence in ASSERTABLE]
    if len(found) != 1:
        raise KeyError(f"{file}: {len(found)} rows of {quantity!r} at {level!r} that may be asserted")
    return found[0]


def entry_angles() -> tuple[tuple[float, float, float, float], ...]:
    """Rows (entry mm, target mm, depth mm, angle deg) of the table of skin entries."""
    lines = (line for line in (FOLDER / "entry_angles.csv").read_text().splitlines() if not line.startswith("#"))
    return tuple(
        (float(row["entry_mm"]), float(row["target_mm"]), float(row["depth_mm"]), float(row["angle_deg"]))
        for row in csv.DictReader(lines)
    )
