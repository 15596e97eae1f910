"""A file that holds labels, whatever its format: label maps, the grid they lie on, and the names it gives itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from canalwise.recon.errors import BadLabels, WrongUse
from canalwise.recon.grid import Grid
from canalwise.recon.image.surface_reader import is_surface, read_surface, voxelised
from canalwise.recon.image.volume import BUDGET_MB, Voxels, canonical
from canalwise.recon.intake.label_names import VoxelMeaning, meaning, own_meanings
from canalwise.recon.intake.reader import read_volume
from canalwise.recon.labels import Labels

WHOLE_TOL = 0.01
"""A value this close to a whole number is that number; label maps kept as floats come back as 2.9999."""


@dataclass(frozen=True, eq=False)
class LabelSource:
    """Labels of a file on the voxels of a grid.

    Parameters
    ----------
    layers : label maps; several where what the file holds overlaps
    names : value -> name, as the file itself gives them; None for a format that has none
    """

    layers: list[Labels]
    grid: Grid
    names: Mapping[int, str] | None = None
    warnings: tuple[str, ...] = field(default_factory=tuple)

    def meanings(self) -> Mapping[int, VoxelMeaning]:
        """What the values mean by the file's own names, or our numbers where it gives none.

        Raises BadLabels naming what no name of ours is.
        """
        if self.names is None:
            return own_meanings()
        found, unknown = {}, {}
        for number, name in self.names.items():
            try:
                found[number] = meaning(name)
            except WrongUse:
                unknown[number] = name
        if unknown:
            raise BadLabels(
                "the names in the file",
                "must be names of ours, or be given one",
                got=unknown,
                do="Give a file of names with --label-names, such as 1 = \"L3\"; 'ignore' leaves one out.",
            )
        return found


def label_source(path: Path, grid: Grid | None) -> LabelSource:
    """The labels in a file: NIfTI, NRRD, MetaImage, DICOM segmentation or structure set, STL, PLY or OBJ.

    Parameters
    ----------
    grid : of the scan; None for maps that stand alone

    Raises BadFile, BadGeometry or BadLabels.
    """
    # What reads DICOM takes 30 MB: whoever only opens a case need not hold it.
    from canalwise.recon.dicom.contour_object import is_contour_object
    from canalwise.recon.dicom.segmentation_object import is_segmentation

    if is_segmentation(path):
        return _segmentation(path, grid)
    if is_contour_object(path):
        return _contours(path, _needed(grid, "a structure set"))
    if is_surface(path):
        own = _needed(grid, "a surface")
        return LabelSource([voxelised(read_surface(path), own).astype(np.uint16)], own, {1: _own_name(path)})
    volume = canonical(read_volume(path, budget_mb=BUDGET_MB))
    return LabelSource([_whole(volume.voxels)], Grid(volume.voxels.shape, volume.affine_ras_mm))


def _own_name(path: Path) -> str:
    """A surface's name: that of its file where it is one of ours, for any other may be the patient's."""
    try:
        meaning(path.stem)
    except WrongUse:
        return "a file name that is none of ours"
    return path.stem


def _needed(grid: Grid | None, what: str) -> Grid:
    if grid is None:
        raise BadLabels(what, "has no voxels of its own", do="Give the scan it was drawn on, or a label map first.")
    return grid


def _segmentation(path: Path, grid: Grid | None) -> LabelSource:
    from canalwise.recon.dicom.segmentation_object import read_segmentation, segmentation_grid, segmentation_layers

    segmentation = read_segmentation(path, BUDGET_MB)
    own = grid or segmentation_grid(segmentation)
    return LabelSource(segmentation_layers(segmentation, own), own, segmentation.names, segmentation.warnings)


def _contours(path: Path, grid: Grid) -> LabelSource:
    from canalwise.recon.dicom.contour_object import contour_layers, missing_planes, read_contours

    contours = read_contours(path, BUDGET_MB)
    layers = contour_layers(contours, grid)
    gaps = {contours.names[number]: count for number, count in missing_planes(contours, grid).items()}
    reported = {
        f"Slices between the first and last outline that have none: {gaps}. They were left empty.": len(gaps),
        f"{contours.left_out} points or open lines enclose nothing and were left out.": contours.left_out,
    }
    names = {number: contours.names[number] for number in contours.outlines}
    return LabelSource(layers, grid, names, tuple(sentence for sentence, count in reported.items() if count))


def _whole(voxels: Voxels) -> Labels:
    if voxels.dtype.kind == "f":
        broken = int((~(np.abs(voxels - np.rint(voxels)) <= WHOLE_TOL)).sum())
        if broken:
            raise BadLabels(
                "the label map",
                "must hold whole numbers",
                got=f"{broken} voxels between two labels",
                do="It was interpolated; resample the original with nearest neighbour.",
            )
    low, high = float(voxels.min()), float(voxels.max())
    if low < -WHOLE_TOL or high > np.iinfo(np.uint16).max:
        raise BadLabels("the label map", "must hold values from 0 to 65535", got=(low, high))
    return np.rint(voxels).astype(np.uint16)
