"""One skin entry for two levels: what the search finds against every place of a finer lattice, on made-up spines.

    python scripts/why_shared_entry.py --seeds 2

Prints, for each spine, the best of the lattice that serves, the search's own, and how many places each looked at.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from canalwise.estimator.levels.levels_plan import PreparedLevels
from canalwise.estimator.levels.shared_entry import candidate_at, shared_entry
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.cases.suite import stenosis
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.phantoms.imaging.render import rendered_labels
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.labels import bone_mask

LEVELS = ("L3-L4", "L4-L5")

ALONG, LATERAL_MM = np.linspace(0.0, 1.0, 11), np.linspace(-8.0, 8.0, 5)
"""The finer lattice."""


def spine(seed: int, spacing_mm: float) -> Anatomy:
    """Two narrow levels, labels given."""
    rng = np.random.default_rng(seed)
    knobs = {name: replace(stenosis(*rng.uniform(0.6, 1.4, 2)), bony=False) for name in LEVELS}
    spec = SpineSpec(levels=knobs, size_frac=float(rng.uniform(0.9, 1.1)), lordosis_deg=float(rng.uniform(35, 65)))
    grid = natural_grid(spec, spacing_mm, LEVELS)
    labels = rendered_labels(spec, grid)
    bone = bone_mask(labels).astype(np.float32)
    return Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"})


def main() -> None:
    """Prints a line a spine."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--spacing-mm", type=float, default=1.2)
    args = parser.parse_args()
    for seed in range(args.seeds):
        anatomy = spine(seed, args.spacing_mm)
        bench = PreparedLevels(anatomy, LEVELS, decompressed)
        at = [bench.at[name] for name in LEVELS]
        own = [default_approach(anatomy, name, "left") for name in LEVELS]
        found = shared_entry(at, own)
        every = [candidate_at(at, own, float(a), float(b)) for a in ALONG for b in LATERAL_MM]
        best = min(every, key=lambda one: one.rank)
        for who, one, count in (("search", found.best, found.looked_at), ("lattice", best, len(every))):
            print(
                f"seed {seed} {who}: along {one.along:.2f} lateral {one.lateral_mm:+.1f} mm, serves {one.serves}, "
                f"weighted {one.weighted_mm3:.0f} mm3, worst side {one.worst_freed_frac:.3f}, "
                f"leans {one.leans_deg:.0f} deg, of {count} places",
                flush=True,
            )


if __name__ == "__main__":
    main()
