#!/usr/bin/env python3
"""Print the table of docs/accuracy.md on time and memory from two builds of one scan, the version before and this one.

    .venv/bin/python scripts/bench.py --child build SCAN > NOW.json     (and so in a checkout of the version before)
    .venv/bin/python scripts/build_table.py BEFORE.json NOW.json

Run both at the same time, so that whatever else the machine does slows both.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

ROWS = {
    "start and read": ("read",),
    "spine, bone": ("locate", "bone"),
    "vertebrae, the network in them": ("vertebrae",),
    "names, parts": ("names", "parts"),
    "frames, ligament, sac": ("frames", "tissue"),
    "levels": ("levels",),
    "write": ("write",),
}
"""Row -> the steps of `bench_build.STEPS` that it sums."""

Counts = dict[str, dict[str, float]]


def rows_of(before: Counts, now: Counts) -> list[str]:
    """Lines of the table: processor seconds of each step, their sum, and the greatest memory.

    >>> one = {"cpu_s": {"read": 2.0, "write": 1.26}, "peak_mb": {"read": 700.4}}
    >>> rows_of(one, one)[2], rows_of(one, one)[-2:]
    ('| start and read | 2.0 | 2.0 |', ['| all | 3.3 | 3.3 |', '| greatest memory, MB | 700 | 700 |'])
    """
    lines = ["| step | before, s | now, s |", "|---|---|---|"]
    for name, steps in ROWS.items():
        sums = [sum(each["cpu_s"].get(step, 0.0) for step in steps) for each in (before, now)]
        lines.append(f"| {name} | {sums[0]:.1f} | {sums[1]:.1f} |")
    sums = [sum(each["cpu_s"].values()) for each in (before, now)]
    peaks = [max(each["peak_mb"].values()) for each in (before, now)]
    return [
        *lines,
        f"| all | {sums[0]:.1f} | {sums[1]:.1f} |",
        f"| greatest memory, MB | {peaks[0]:.0f} | {peaks[1]:.0f} |",
    ]


if __name__ == "__main__":
    print("\n".join(rows_of(*(json.loads(Path(path).read_text()) for path in sys.argv[1:3]))))
