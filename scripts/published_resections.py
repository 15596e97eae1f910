#!/usr/bin/env python3
"""What the usual plan's resections take and gain, beside what was measured after operations.

    .venv/bin/python scripts/published_resections.py [--cases 30] [--spacing-mm 0.9]

Narrow spines of `phantoms.cases.stenotic`, their own labels given, each decompressed from both sides by the default
plan and rules; nothing is set by what the papers found. Each case is printed as it is done, then median and range.

Published (abstracts, read; part borders of the papers were not seen): endoscopic over-the-top decompressions of 21
levels took 15.5 % (11.2-19.8) of the near lamina, 8.8 % (5.7-11.8) of the far one, 5.3 % (4.2-6.4) and 4.3 % (2.2-6.4)
of the facets (PMID 31042651, 2019); facet volume kept 70 and 87 % by a standard, 88 and 91 % by a medialised approach
(Papavero 2021); area of the sac gained 66.0 +- 41.5 mm2 by one side, 71.9 +- 37.1 by both (Hermansen 2020).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.labels import SIDES
from canalwise.workbench.validation.published_resections import PUBLISHED, numbers, prepared_case


def main() -> None:
    """Print every case, then the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=30)
    parser.add_argument("--spacing-mm", type=float, default=0.9)
    args = parser.parse_args()
    rows = []
    for seed in range(args.cases):
        try:
            prepared = prepared_case(seed, args.spacing_mm)
            for side in SIDES:
                found = decompressed(prepared, default_approach(prepared.anatomy, prepared.level.name, side))
                rows.append(numbers(found))
                print(f"{seed:3d} {prepared.level.name} {side:5s} {found.verdict.sentence}", flush=True)
        except CanalwiseError as error:
            print(f"{seed:3d} {error}", flush=True)
    print_table(rows)


def print_table(rows: list[dict[str, float]]) -> None:
    """Median, quartiles and range of every number, and what was published."""
    print(f"\n{len(rows)} resections: median (quartiles) [range] | published")
    for name, published in PUBLISHED.items():
        low, first, middle, third, high = np.nanpercentile([row[name] for row in rows], (0, 25, 50, 75, 100))
        print(f"{name:42s} {middle:7.1f} ({first:.1f}-{third:.1f}) [{low:.1f}-{high:.1f}] | {published}")


if __name__ == "__main__":
    main()
