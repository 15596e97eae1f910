#!/usr/bin/env python3
"""Measure the build of a real whole lumbar CT against automatic vertebra labels, on the labels' own voxels.

    .venv/bin/python scripts/accuracy_whole.py DATA/ct_whole_lumbar_3mm

Printed per vertebra: Dice, recall and precision of all its bone; then names, and canal areas at the disc. Labels of S1
hold its upper end alone and are left out.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import nibabel as nib
import numpy as np
from name_trials import REAL

from canalwise.recon.anatomy import Anatomy
from canalwise.recon.case.anatomy_builder import anatomy_of
from canalwise.recon.examination.working_volume import working_volume
from canalwise.recon.grid import Grid
from canalwise.recon.intake.reader import read_scan
from canalwise.recon.labels import Labels, bone_mask, vertebra_mask, vertebra_number


def labels_on(anatomy: Anatomy, grid: Grid) -> Labels:
    """(same shape as `grid`) array: the anatomy's nearest label, 0 outside it."""
    at = np.rint(anatomy.grid.index_of(grid.voxel_centres_mm())).astype(int)
    inside = np.asarray(((at >= 0) & (at < anatomy.grid.shape)).all(axis=-1))
    found = anatomy.labels[tuple(np.moveaxis(np.where(inside[..., None], at, 0), -1, 0))]
    return np.where(inside, found, 0).astype(np.uint16)


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="ct.nii.gz and vertebrae.nii.gz")
    folder: Path = parser.parse_args().folder
    anatomy = anatomy_of(working_volume(read_scan(folder / "ct.nii.gz")))
    image = nib.as_closest_canonical(nib.load(folder / "vertebrae.nii.gz"))
    truth = np.asarray(image.dataobj).astype(int)
    labels = labels_on(anatomy, Grid(image.shape, image.affine))
    bone = bone_mask(labels)
    for value, name in REAL[folder.resolve().name].items():
        own, drawn = bone & vertebra_mask(labels, vertebra_number(name)), truth == value
        both = float((own & drawn).sum())
        if name != "S1" and own.any():
            print(
                f"{name:4} Dice {2 * both / (own.sum() + drawn.sum()):.3f}, recall {both / drawn.sum():.3f}, "
                f"precision {both / own.sum():.3f}"
            )
    for level in anatomy.levels:
        areas = [m.value for m in level.measurements if m.name == "canal area" and m.value is not None]
        print(f"{level.name:8} canal areas mm2: {', '.join(f'{area:.0f}' for area in areas)}")


if __name__ == "__main__":
    main()
