#!/usr/bin/env python3
"""What images of made-up levels show, beside how far off the answers were: what probabilities are fitted on.

Spines are drawn at random (`phantoms.cases.random_spec`), and so are voxels (0.5 to 5 mm), noise, blur and what of the
scan is cut off. Each is built from its CT alone, names given, and held against its truth: canal area, facet fractions
and removal of one planned approach. One JSON line a case; `scripts/why_confidence.py` fits and checks on such lines.

    python scripts/confidence_records.py --seed 1 --count 4 --records FILE
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from hard_measures import Rendered, formula_truth, record_of

from canalwise.phantoms.cases.hard_case import HardCase
from canalwise.phantoms.cases.random_spec import varied_spec
from canalwise.phantoms.imaging.grids import GridRequest
from canalwise.phantoms.imaging.scanner import Scanner
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.labels import Side
from canalwise.recon.scan import Scan

IN_PLANE_MM, SLICE_MM = (0.5, 0.7, 0.9, 1.2), (0.6, 0.8, 1.0, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0)


def drawn(rng: np.random.Generator, number: int) -> HardCase:
    """One case."""
    spec = varied_spec(rng)
    if rng.random() < 0.4:  # as many scans are of a healthy level
        spec = replace(spec, levels={})
    names = [name for name in spec.level_names if not name.startswith("T")]
    at = int(rng.integers(0, len(names) - 1))
    levels = tuple(names[at : at + 2])
    slice_mm = float(rng.choice(SLICE_MM))
    in_plane = float(rng.choice([mm for mm in IN_PLANE_MM if mm <= max(slice_mm, 0.7)]))
    if slice_mm < 0.75:
        in_plane = 0.7
    wish = GridRequest((in_plane, in_plane, slice_mm), half_width_mm=48.0)
    scanner = Scanner(
        int(rng.integers(1 << 30)), float(rng.choice([8.0, 20.0, 35.0, 60.0])), float(rng.uniform(0.6, 1.6))
    )
    trim = (float(rng.choice([0.0, 0.0, 10.0, 18.0])), float(rng.choice([0.0, 0.0, 10.0, 18.0])))
    side: Side = "left" if rng.random() < 0.5 else "right"
    return HardCase(
        f"drawn {number}", 2, ("drawn",), spec, levels, levels[int(rng.integers(2))], side, wish, scanner, trim_mm=trim
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no further case after this")
    parser.add_argument("--records", type=Path)
    args = parser.parse_args()
    start = time.perf_counter()
    for n in range(args.count):
        if time.perf_counter() - start > args.seconds:
            break
        case = drawn(np.random.default_rng([args.seed, n]), n)
        try:
            scan = case.scan(None)
        except CanalwiseError as why:
            print(f"{case.name}: not drawn, {why}", file=sys.stderr)
            continue
        ready = Rendered(case, Scan(scan.ct_hu, scan.grid, "CT"), scan.labels, *formula_truth(case, scan.labels))
        record, _ = record_of(ready)
        record |= {"seed": [args.seed, n], "level": case.level, "spacing_mm": list(case.grid_request.spacing_mm)}
        line = json.dumps(record, default=float)
        print(line, flush=True)
        if args.records:
            with args.records.open("a") as file:
                file.write(line + "\n")


if __name__ == "__main__":
    main()
