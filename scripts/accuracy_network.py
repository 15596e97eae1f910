#!/usr/bin/env python3
"""Measure what the network alone makes of real CT and MR whose labels came with them, and draw it.

    .venv/bin/python scripts/accuracy_network.py DATA [--pictures FOLDER] [--network FILE]

DATA holds the folders ct_lumbar_crop_1p5mm, mr_t2_crop_canal_label and ct_whole_lumbar_3mm. None of these scans was
trained on. Dice is taken on the scan's own voxels: for each voxel the nearest of the network's. The MR crop's labels
leave a rim of dark cortex, annulus and ligament without any label between what they name; its Dice is printed a
second time with the voxels not counted that have none but a neighbour that has one.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from canalwise.recon.grid import Grid
from canalwise.recon.image.morphology import nearest_on
from canalwise.recon.image.volume import canonical
from canalwise.recon.intake.reader import read_volume
from canalwise.recon.labels import Mask
from canalwise.recon.modality import ModalityName
from canalwise.recon.scan import Scan
from canalwise.recon.segmentation import network
from canalwise.recon.segmentation.network_grid import network_input
from canalwise.recon.segmentation.tissue_classes import TissueClass, TissueClassMap

ARCH = (
    TissueClass.PEDICLE,
    TissueClass.PARS,
    TissueClass.LAMINA,
    TissueClass.SPINOUS,
    TissueClass.SUPERIOR,
    TissueClass.INFERIOR,
    TissueClass.TRANSVERSE,
)
MR_BODY, MR_DISC = 19, 20
"""Vertebrae and discs in the labels of the other subject's MR, whose other numbers are organs. Of the arches these
labels hold nothing but the pedicles' roots (2 % of what is found there is called vertebra): bodies are compared."""

CROP_PARTS = {
    "body": (49, 50),
    "body with end plates": (49, 50, 62),
    "arch": (41, 42, 43, 44, 45, 46, 47, 48),
    "lamina, pars, pedicle": (41,),
    "spinous": (42,),
    "transverse": (43, 44),
    "superior": (45, 46),
    "inferior": (47, 48),
    "canal": (60, 61),
    "disc": (100,),
}
"""Numbers of the parts in the open label set; on MR it counts end plates apart, which elsewhere belong to the body."""

KINDS = {
    "body": (TissueClass.BODY,),
    "body with end plates": (TissueClass.BODY,),
    "arch": ARCH,
    "lamina, pars, pedicle": (TissueClass.LAMINA, TissueClass.PARS, TissueClass.PEDICLE),
    "spinous": (TissueClass.SPINOUS,),
    "transverse": (TissueClass.TRANSVERSE,),
    "superior": (TissueClass.SUPERIOR,),
    "inferior": (TissueClass.INFERIOR,),
    "canal": (TissueClass.CANAL,),
    "disc": (TissueClass.DISC,),
}


def dice(found: Mask, truth: Mask) -> float:
    """Twice what both share over what both hold."""
    return 2.0 * float((found & truth).sum()) / max(float(found.sum() + truth.sum()), 1.0)


def parts_line(kind: npt.NDArray[np.uint8], parts: npt.NDArray[np.int64]) -> str:
    """Dice of each part that is labelled."""
    found = {
        name: dice(np.isin(kind, KINDS[name]), np.isin(parts, numbers))
        for name, numbers in CROP_PARTS.items()
        if np.isin(parts, numbers).any()
    }
    return "  ".join(f"{name} {value:.3f}" for name, value in found.items())


def unlabelled_rim(parts: npt.NDArray[np.int64]) -> Mask:
    """Voxels without a label that share a face with one that has one."""
    labelled = parts > 0
    return ndimage.binary_dilation(labelled) & ~labelled


def vertebrae_line(kind: npt.NDArray[np.uint8], vertebrae: npt.NDArray[np.int64]) -> str:
    """Dice of all bone together, recall of each vertebra, and what of each was called sacrum."""
    bone, truth = kind >= TissueClass.BODY, vertebrae > 0
    line = f"bone {dice(bone, truth):.3f} volume {bone.sum() / truth.sum():.2f}"
    for number in np.unique(vertebrae[truth]):
        own = vertebrae == number
        line += (
            f"\n    {number}: seen {bone[own].mean():.3f}, called sacrum {(kind[own] == TissueClass.SACRUM).mean():.2f}"
        )
    return line


def picture(scan: Scan, grid: Grid, seen: TissueClassMap, path: Path) -> None:
    """Three planes through the middle of the canal, plain and with the kinds over it."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    value = network_input(scan, grid)
    kinds = seen.kind if seen.detail is None else seen.detail
    at = np.argwhere(seen.kind == TissueClass.CANAL)
    middle = at.mean(axis=0).astype(int) if len(at) else np.array(grid.shape) // 2
    low, high = np.percentile(value, (1, 99.5))
    figure, axes = pyplot.subplots(2, 4, figsize=(22, 14))
    cuts = [(0, middle[0]), (0, middle[0] + 15), (1, middle[1] - 14), (2, middle[2])]
    for n, (axis, k) in enumerate(cuts):
        k = int(np.clip(k, 0, grid.shape[axis] - 1))
        plain, over = (np.take(array, k, axis=axis).T for array in (value, kinds))
        for row in range(2):
            axes[row, n].imshow(plain, origin="lower", cmap="gray", vmin=low, vmax=high)
            axes[row, n].set_axis_off()
        axes[1, n].imshow(
            np.ma.masked_equal(over, 0),
            origin="lower",
            cmap="nipy_spectral",
            vmin=0,
            vmax=16,
            alpha=0.55,
            interpolation="nearest",
        )
    figure.tight_layout()
    figure.savefig(path, dpi=50)
    pyplot.close(figure)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("data", type=Path)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--network", type=Path, help="of this file, for CT and MR, instead of those in use")
    options = parser.parse_args()
    if options.network:
        network.FILE = network.MR_FILE = options.network
    whole = "ct_whole_lumbar_3mm"
    cases: list[tuple[str, str, str, ModalityName, str]] = [
        ("crop CT", "ct_lumbar_crop_1p5mm", "ct", "CT", "parts"),
        ("crop MR", "mr_t2_crop_canal_label", "t2", "MR", "parts"),
        ("whole CT", whole, "ct", "CT", "vertebrae"),
        ("other MR", whole, "mr_other_subject_20slices", "MR", "mr_other_subject_labels"),
    ]
    for name, folder, image, modality, labels in cases:
        scan = read_scan_as(options.data / folder / f"{image}.nii.gz", modality)
        truth = read_scan_as(options.data / folder / f"{labels}.nii.gz", "MR")
        start = time.process_time()
        seen = network.prior_kinds(scan)
        assert seen is not None
        kind = nearest_on(scan.grid, seen.kind, seen.grid)
        there = nearest_on(scan.grid, truth.voxels.astype(np.int64), truth.grid)
        if name == "other MR":
            line = f"body {dice(kind == TissueClass.BODY, there == MR_BODY):.3f}"
            line += f" disc {dice(kind == TissueClass.DISC, there == MR_DISC):.3f}"
        else:
            line = parts_line(kind, there) if labels == "parts" else vertebrae_line(kind, there)
        if name == "crop MR":
            line += f"\n    rim not counted: {parts_line(np.where(unlabelled_rim(there), 0, kind), there)}"
        print(f"{name} ({time.process_time() - start:.0f} CPU s): {line}", flush=True)
        if options.pictures:
            options.pictures.mkdir(parents=True, exist_ok=True)
            picture(scan, seen.grid, seen, options.pictures / f"{name.replace(' ', '_')}.png")


def read_scan_as(path: Path, modality: ModalityName) -> Scan:
    """A file's voxels, its axes turned nearest to right, anterior and cranial, nothing judged."""
    volume = canonical(read_volume(path))
    i, j, k = volume.voxels.shape
    return Scan(volume.voxels, Grid((i, j, k), volume.affine_ras_mm), modality)


if __name__ == "__main__":
    main()
