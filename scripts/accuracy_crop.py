#!/usr/bin/env python3
"""Measure the build from CT alone on a real CT against labels drawn on it: with the network, and without.

    .venv/bin/python scripts/accuracy_crop.py FOLDER [--levels L2,L3,L4]

FOLDER holds ct.nii.gz, vertebrae.nii.gz and parts.nii.gz, as in the tests' open crop. Printed per method of finding
the bones: Dice of each vertebra, of its arch (all but body and transverse processes) and of each articular process, the
facet angles beside those from the labels, and canal areas beside those the labelled bones enclose.

The label set counts as inferior process all of the arch caudal of the joint's top and lateral of the spinous process;
here it is only what bears the face, the rest is lamina and pars. Its Dice is printed for both.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labelling import ct_segmentation as pipeline
from canalwise.recon.labels import SIDES, Labels, Mask, Part, Side, bone_mask, sided, vertebra_name

NAMES = Path(__file__).resolve().parents[1] / "tests" / "recon" / "intake" / "label_names_example.toml"
TOP_PERCENTILE = 95.0
"""Of the heights of an inferior process: its joint's top without stray voxels."""


def dice(found: Mask, truth: Mask) -> float:
    """Twice what both share over what both hold."""
    return 2.0 * float((found & truth).sum()) / max(float(found.sum() + truth.sum()), 1.0)


def bone_of(labels: Labels, vertebra: int) -> Mask:
    """Bone of one vertebra."""
    return bone_mask(labels) & (labels // 100 == vertebra)


def arch_of(labels: Labels, vertebra: int) -> Mask:
    """Arch, spinous and articular processes of one vertebra as one."""
    others = (Part.BODY, Part.TRANSVERSE_LEFT, Part.TRANSVERSE_RIGHT)
    return bone_of(labels, vertebra) & ~np.isin(labels % 100, others)


def caudal_arch(labels: Labels, grid: Grid, vertebra: int, side: Side) -> Mask:
    """The inferior process as the label set draws it: it, and lamina and pars of its side below its joint's top."""
    own = labels == 100 * vertebra + sided("inferior_articular", side)
    if not own.any():
        return own
    height = np.arange(grid.shape[2]) * grid.spacing_mm[2]
    top = np.percentile(height[np.nonzero(own)[2]], TOP_PERCENTILE)
    rest = np.isin(labels, [100 * vertebra + sided(part, side) for part in ("lamina", "pars")])
    return own | (rest & (height <= top))


def dice_lines(found: Anatomy, truth: Labels) -> list[str]:
    """One line per vertebra."""
    lines = []
    for vertebra in sorted(set((truth[bone_mask(truth)] // 100).tolist())):
        scores = {
            "bone": dice(bone_of(found.labels, vertebra), bone_of(truth, vertebra)),
            "arch": dice(arch_of(found.labels, vertebra), arch_of(truth, vertebra)),
        }
        for side in SIDES:
            for part in ("superior_articular", "inferior_articular"):
                label = 100 * vertebra + sided(part, side)
                scores[f"{part[:3]} {side}"] = dice(found.labels == label, truth == label)
            label = 100 * vertebra + sided("inferior_articular", side)
            scores[f"inf as drawn {side}"] = dice(caudal_arch(found.labels, found.grid, vertebra, side), truth == label)
        lines.append(f"  {vertebra_name(vertebra)}  " + "  ".join(f"{k} {v:.3f}" for k, v in scores.items()))
    return lines


def level_lines(found: Anatomy, given: Anatomy) -> list[str]:
    """Facet angles and canal areas beside those from the labels."""
    lines = []
    for level in given.levels:
        mine = found.level(level.name)
        for side, joint in level.joints.items():
            own = mine.joints.get(side)
            said = "missed" if own is None else f"{own.angle_deg:.1f} deg, gap {own.gap_mm:.2f} mm"
            lines.append(f"  {level.name} {side} joint {said} (labels {joint.angle_deg:.1f}, {joint.gap_mm:.2f})")
        areas = {(m.name, m.structure): m.value for m in level.measurements if m.name.startswith("canal area")}
        for m in mine.measurements:
            there = areas.get((m.name, m.structure))
            if there:
                lines.append(f"  {level.name} {m.name} {m.structure} {m.value:.0f} mm2 ({m.value / there - 1:+.1%})")
    return lines


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--levels", default="L2,L3,L4", help="vertebrae in view, cranial to caudal [%(default)s]")
    options = parser.parse_args()
    scan = read_scan(options.folder / "ct.nii.gz")
    files = [options.folder / name for name in ("vertebrae.nii.gz", "parts.nii.gz")]
    truth = read_given_labels(files, NAMES, scan.grid)
    given = anatomy_of(scan, given=truth)
    for method in ("with the network", "without it"):
        if method == "without it":
            setattr(pipeline, "prior_kinds", lambda _: None)  # noqa: B010
        found = anatomy_of(scan, vertebrae=options.levels.split(","))
        print(method, *dice_lines(found, truth.labels), *level_lines(found, given), sep="\n", flush=True)


if __name__ == "__main__":
    main()
