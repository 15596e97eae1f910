"""Slices of a hard case with the true outlines (green) and the found ones (red, canal yellow)."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import numpy as np
import numpy.typing as npt

from canalwise.recon.labels import Labels, Part, bone_mask, canal_mask, level_vertebrae, vertebra_number
from canalwise.recon.scan import Scan

mpl.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

WINDOW_HU = (-250, 900)


def draw(scan: Scan, true: Labels, found: Labels | None, level: str, path: Path) -> Path:
    """Three axial slices (pedicle, disc, lower pedicle), mid-sagittal and coronal, as one PNG."""
    figure, axes = plt.subplots(2, 3, figsize=(15, 10))
    i, j, k = _middle(scan, true, level)
    step = round(11.0 / float(scan.grid.spacing_mm[2]))
    places = [(2, k + step), (2, k), (2, k - step), (0, i), (1, j), (0, i + round(16.0 / scan.grid.spacing_mm[0]))]
    for axis, (along, at) in zip(axes.ravel(), places, strict=True):
        _plane(axis, scan, true, found, along, int(np.clip(at, 0, scan.grid.shape[along] - 1)))
    figure.suptitle(path.stem)
    figure.tight_layout()
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=60)
    plt.close(figure)
    return path


def _middle(scan: Scan, true: Labels, level: str) -> tuple[int, int, int]:
    """Index of the middle of a level's canal: between its two vertebrae's bone, at the canal's voxels there."""
    heights = []
    for name in level_vertebrae(level):
        mine = bone_mask(true) & (true // 100 == vertebra_number(name))
        heights.append(np.argwhere(mine).mean(axis=0))
    middle = np.mean(heights, axis=0)
    k = int(np.clip(round(middle[2]), 0, true.shape[2] - 1))
    canal = np.argwhere(canal_mask(true[:, :, k]))
    i, j = canal.mean(axis=0) if len(canal) else middle[:2]
    return round(float(i)), round(float(j)), k


def _plane(axis: Axes, scan: Scan, true: Labels, found: Labels | None, along: int, at: int) -> None:
    across = [d for d in range(3) if d != along]
    aspect = float(scan.grid.spacing_mm[across[1]] / scan.grid.spacing_mm[across[0]])
    axis.imshow(
        np.take(scan.voxels, at, axis=along).T,
        cmap="gray",
        vmin=WINDOW_HU[0],
        vmax=WINDOW_HU[1],
        origin="lower",
        aspect=aspect,
    )
    _outlines(axis, np.take(true, at, axis=along), "lime", "cyan")
    if found is not None:
        _outlines(axis, np.take(found, at, axis=along), "red", "yellow")
    axis.axis("off")


def _outlines(axis: Axes, labels: npt.NDArray[np.uint16], bone: str, canal: str) -> None:
    numbers = np.where(labels % 100 == Part.DISC, 0, labels // 100)
    for n in np.unique(numbers[numbers > 0]):
        axis.contour((numbers == n).T.astype(float), [0.5], colors=bone, linewidths=0.8)
    if canal_mask(labels).any():
        axis.contour(canal_mask(labels).T.astype(float), [0.5], colors=canal, linewidths=0.8)
