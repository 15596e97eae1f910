"""How close frames, landmarks, joints, windows and canal areas come to the truth of phantoms.

Prints one line per quantity with the median and worst error over a few spines, levels and sides; labels and
bone shares are taken from the phantom itself, so that only the reading of anatomy is judged.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.truth.level import level_truth
from canalwise.recon.case.motion_segments import levels_of
from canalwise.workbench.validation.anatomy_errors import SPECS, errors, labelled


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spacing-mm", type=float, default=0.5)
    parser.add_argument("--spines", nargs="+", choices=SPECS, default=list(SPECS))
    parser.add_argument("--levels", nargs="+", default=["L3-L4"])
    args = parser.parse_args()
    total: dict[str, list[float]] = defaultdict(list)
    for name in args.spines:
        spine, wanted = spine_of(SPECS[name]), tuple(args.levels)
        grid = natural_grid(SPECS[name], args.spacing_mm, wanted)
        labels, share = labelled(spine, grid)
        for level in levels_of(labels, share, grid):
            if level.name in wanted:
                for key, values in errors(level_truth(spine, level.name), level).items():
                    total[key] += values
    print(f"{'quantity':40s}{'median':>10s}{'worst':>10s}{'n':>5s}")
    for key, values in total.items():
        worst = max(values, key=abs)
        print(f"{key:40s}{float(np.median(values)):10.2f}{worst:10.2f}{len(values):5d}")


if __name__ == "__main__":
    main()
