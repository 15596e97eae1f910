#!/usr/bin/env python3
"""What the usual plan's resections take and gain, beside what was measured after operations.

    .venv/bin/python scripts/published_resections.py [--first 0] [--cases 30] [--spacing-mm 0.9] [--records FILE]

Narrow spines of `phantoms.cases.stenotic`, their own labels given, each decompressed from both sides by the default
plan and rules; nothing is set by what the papers found. Each case is printed as it is done, then median and range.

Published (abstracts, read; part borders of the papers were not seen): endoscopic over-the-top decompressions of 21
levels took 15.5 % (11.2-19.8) of the near lamina, 8.8 % (5.7-11.8) of the far one, 5.3 % (4.2-6.4) and 4.3 % (2.2-6.4)
of the facets (PMID 31042651, 2019); facet volume kept 70 and 87 % by a standard, 88 and 91 % by a medialised approach
(Papavero 2021); area of the sac gained 66.0 +- 41.5 mm2 by one side, 71.9 +- 37.1 by both (Hermansen 2020).
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.cases.hard_cases import hard_suite
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.render import rendered_labels
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.errors import AnatomyNotFound, CanalwiseError
from canalwise.recon.labels import SIDES, bone_mask
from canalwise.workbench.validation.published_resections import PUBLISHED, numbers, prepared_case


def hard_case(number: int) -> PreparedLevel:
    """A case of `phantoms.cases.hard_cases` with its own labels, on the level it is planned on."""
    case = hard_suite()[number]
    if case.is_mesh:
        raise AnatomyNotFound(case.name, "is made of surfaces, whose parts are not known")
    grid = case.grid()
    labels = rendered_labels(case.spec, grid)
    bone = bone_mask(labels).astype(np.float32)
    return prepared_level(Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"}), case.level)


def rows_of(seed: int, spacing_mm: float, hard: bool) -> list[dict[str, float]]:
    """One spine's resections from both sides; they are printed as they are done."""
    prepared, rows = hard_case(seed) if hard else prepared_case(seed, spacing_mm), []
    spec = hard_suite()[seed].spec if hard else stenotic_spec(seed)[0]
    bony = spec.knobs(prepared.level.name).bony
    for side in SIDES:
        found = decompressed(prepared, default_approach(prepared.anatomy, prepared.level.name, side))
        rows.append(
            numbers(found) | {"bony": float(bony), "freed and kept": float(found.verdict.freed and found.verdict.kept)}
        )
        print(f"{seed:3d} {prepared.level.name} {side:5s} {found.verdict.sentence}", flush=True)
    return rows


def main() -> None:
    """Print every case, then the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--cases", type=int, default=30)
    parser.add_argument("--spacing-mm", type=float, default=0.9)
    parser.add_argument("--hard", action="store_true", help="the hard cases that are parametric spines instead")
    parser.add_argument(
        "--records", type=Path, metavar="FILE", help="numbers are added here, one JSON line a resection"
    )
    parser.add_argument("--report", type=Path, metavar="FILE", help="only print the table of such a file")
    args = parser.parse_args()
    if args.report:
        print_table([json.loads(line) for line in args.report.read_text().splitlines()])
        return
    rows = []
    for seed in range(args.first, args.first + args.cases):
        try:
            some = rows_of(seed, args.spacing_mm, args.hard)
        except CanalwiseError as error:
            print(f"{seed:3d} {error}", flush=True)
            continue
        rows += some
        if args.records:
            with args.records.open("a", buffering=1 << 22) as file:
                file.writelines(json.dumps(row) + "\n" for row in some)
    print_table(rows)


def print_table(rows: list[dict[str, float]]) -> None:
    """Median, quartiles and range of every number, and what was published."""
    print(f"\n{len(rows)} resections: median (quartiles) [range] | with bony overhang, without | published")
    bony = np.array([row["bony"] for row in rows]) > 0
    for name, published in PUBLISHED.items():
        values = np.array([row[name] for row in rows])
        low, first, middle, third, high = np.nanpercentile(values, (0, 25, 50, 75, 100))
        parts = ", ".join(f"{np.nanmedian(values[some]):.1f}" for some in (bony, ~bony) if some.any())
        print(f"{name:42s} {middle:7.1f} ({first:.1f}-{third:.1f}) [{low:.1f}-{high:.1f}] | {parts} | {published}")


if __name__ == "__main__":
    main()
