#!/usr/bin/env python3
"""How far a resection depends on what must not matter: voxels, the lattice, the side, and a hair's breadth of the plan.

    .venv/bin/python scripts/stability_resection.py --records FILE [--first 0] [--cases 8] [--spacing-mm 0.9]
    .venv/bin/python scripts/stability_resection.py --report FILE...

Narrow spines of `phantoms.cases.stenotic`, their own labels given. The usual plan from the left is compared with the
same plan on the mirror image (from the right), on voxels turned and shifted under the patient, and with its docking
point moved by 0.3 mm in every direction; for several values of `bone_per_tissue`, the bone that a cubic millimetre of
tissue is worth. Printed for each: bone and share freed, and by how much they differ from the plan's own, as a median
and the 90th percentile over the cases. Files of several processes are put together by --report.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from canalwise.estimator.approach.approach import Approach, other_side
from canalwise.estimator.level.prepared_level import PreparedLevel, prepared_level
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.estimator.resection.resection import resection_level_of, resection_of
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import GridRequest, natural_grid
from canalwise.phantoms.imaging.render import rendered_labels
from canalwise.phantoms.spec import SpineSpec
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.motion_segments import levels_of
from canalwise.recon.errors import CanalwiseError
from canalwise.recon.grid import Grid
from canalwise.recon.labels import bone_mask

WORTHS = (1e6, 40.0, 20.0, 10.0)
"""Values of `bone_per_tissue` tried; the first leaves nothing that can be taken."""

SHIFTS_MM = tuple(tuple(sign * 0.3 * (axis == a) for a in range(3)) for axis in range(3) for sign in (1, -1))
"""By which the docking point is moved."""

TURN_DEG = (4.0, -5.0, 6.0)
"""By which voxels are turned under the patient."""


def level_on(spec: SpineSpec, level: str, grid: Grid) -> PreparedLevel:
    """A level with the phantom's own labels on a grid."""
    labels = rendered_labels(spec, grid)
    bone = bone_mask(labels).astype(np.float32)
    return prepared_level(Anatomy(grid, labels, bone, levels_of(labels, bone, grid), {"sac": "given"}), level)


def mirrored(approach: Approach) -> Approach:
    """The same approach from the other side."""
    x, y, z = approach.docking_point_mm
    phases = tuple(replace(p, pivot_shift_mm=(-p.pivot_shift_mm[0], *p.pivot_shift_mm[1:])) for p in approach.phases)
    return replace(approach, side=other_side(approach.side), docking_point_mm=(-x, y, z), phases=phases)


def numbers(prepared: PreparedLevel, approach: Approach, worth: float) -> dict[str, float]:
    """Bone, weighted bone and shares freed near and far."""
    at = resection_level_of(prepared)
    made = replace(at, rules=at.rules.changed(bone_per_tissue=worth))
    made.__dict__.update({key: value for key, value in at.__dict__.items() if key not in made.__dict__})
    found = resection_of(made, approach)
    near = at.wanted.on_side(approach.side)
    freed = [float(at.wanted.mm3[s] @ found.taken_frac[s] / at.wanted.mm3[s].sum()) for s in (near, ~near)]
    return {"bone": found.removal.total_mm3, "weighted": found.weighted_mm3, "near": freed[0], "far": freed[1]}


def record_of(seed: int, spacing_mm: float) -> dict[str, Any]:
    """One case: numbers of the plan, and of all that must not differ, for each worth."""
    spec, level = stenotic_spec(seed)
    image = spec.mirrored()
    here = level_on(spec, level, natural_grid(spec, spacing_mm, (level,)))
    there = level_on(image, level, natural_grid(image, spacing_mm, (level,)))
    turned = level_on(spec, level, GridRequest((spacing_mm,) * 3, TURN_DEG).grid(spec, level))
    plan = default_approach(here.anatomy, level, "left")
    docking = np.array(plan.docking_point_mm)
    for one in (here, there, turned):
        vars(resection_level_of(one)).update(set_cells=resection_level_of(one).set_cells)
    out: dict[str, Any] = {"case": seed}
    for worth in WORTHS:
        x, y, z = docking
        out[f"{worth:g}"] = {
            "plan": numbers(here, plan, worth),
            "mirrored": [numbers(there, mirrored(plan), worth)],
            "turned": [numbers(turned, plan, worth)],
            "shifted": [
                numbers(here, replace(plan, docking_point_mm=(x + a, y + b, z + c)), worth) for a, b, c in SHIFTS_MM
            ],
        }
    return out


def is_own(record: Any) -> bool:
    """Is this a line that this script wrote, whole?

    >>> is_own({"seed": 3, "freed": True}), is_own(7)
    (False, False)
    """
    parts = {"plan", "mirrored", "turned", "shifted"}
    return isinstance(record, dict) and all(
        isinstance(record.get(f"{worth:g}"), dict) and parts <= set(record[f"{worth:g}"]) for worth in WORTHS
    )


def records_in(paths: Sequence[Path]) -> list[Any]:
    """Every line of some files; a last one cut short is left out."""
    lines = [line for path in paths for line in path.read_text().splitlines()]
    return [json.loads(line) for line in lines if line.endswith("}")]


def report(records: Sequence[dict[str, Any]]) -> str:
    """The table."""
    own = [record for record in records if is_own(record)]
    lines = [f"{len(own)} spines; bone and freed of the plan, then difference: median, 90th percentile"]
    if len(own) < len(records):
        lines.append(f"{len(records) - len(own)} lines of other kinds are left out")
    records = own
    for worth in (f"{worth:g}" for worth in WORTHS) if own else ():
        plans = [r[worth]["plan"] for r in records]
        bone, near, far = np.nanmean([[p["bone"], p["near"], p["far"]] for p in plans], axis=0)
        lines.append(f"worth {worth}: bone {bone:.0f} mm3, near {near:.3f}, far {far:.3f}")
        for name in ("mirrored", "turned", "shifted"):
            rows = [(r[worth]["plan"], other) for r in records for other in r[worth][name]]
            shares = []
            for key in ("bone", "weighted", "near", "far"):
                per = [max(a[key], 1.0) if key in ("bone", "weighted") else 1.0 for a, _ in rows]
                off = np.array([abs(b[key] - a[key]) / whole for (a, b), whole in zip(rows, per, strict=True)])
                shares.append(f"{key} {np.nanmedian(off):.3f} {np.nanpercentile(off, 90):.3f}")
            lines.append(f"  {name:9s} " + "   ".join(shares))
    return "\n".join(lines)


def main() -> None:
    """Do some cases, or put files together."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=Path, metavar="FILE", help="kept here, one JSON line a case")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--cases", type=int, default=8)
    parser.add_argument("--spacing-mm", type=float, default=0.9)
    parser.add_argument("--report", type=Path, nargs="+", metavar="FILE")
    options = parser.parse_args()
    if options.report:
        print(report(records_in(options.report)))
        return
    records = []
    for seed in range(options.first, options.first + options.cases):
        try:
            records.append(record_of(seed, options.spacing_mm))
        except CanalwiseError as problem:
            print(f"{seed} left out: {problem}", file=sys.stderr, flush=True)
            continue
        if options.records:
            with options.records.open("a", buffering=1 << 22) as file:
                file.write(json.dumps(records[-1]) + "\n")
    if records:
        print(report(records))


if __name__ == "__main__":
    main()
