"""DICOM segmentation objects as label maps: binary and fractional ones, whose segments may overlap, and label maps.

Segment numbers, segmentation types and per-frame segment identification: DICOM PS3.3 C.8.20
(https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.8.20.html).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pydicom
from pydicom.pixels.utils import pixel_array

from canalwise.recon.dicom.headers import SliceHeader, placed_slices
from canalwise.recon.dicom.label_objects import dicom_class, with_room
from canalwise.recon.dicom.stack import stacked
from canalwise.recon.errors import BadFile, BadLabels
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.volume import BYTES_PER_VOXEL, Volume, canonical, check_budget
from canalwise.recon.labels import Labels

SEGMENTATION_CLASSES = ("1.2.840.10008.5.1.4.1.1.66.4", "1.2.840.10008.5.1.4.1.1.66.7")
"""Segmentation Storage and Label Map Segmentation Storage."""

ON_VOXEL_TOL = 0.05
"""A frame's pixel centres must meet the grid's voxel centres within this share of a voxel."""

HALF = 0.5
"""Share of the greatest fractional value, a probability or an occupancy, from which a pixel counts (choice)."""

FRACTIONAL_NOTE = "The segmentation is fractional; voxels of half the greatest value or more were taken."


@dataclass(frozen=True, eq=False)
class SegmentationObject:
    """The frames of a segmentation object.

    Parameters
    ----------
    frames : where each frame lies
    pixels : (N, rows, columns) array; 0 or 1, or segment numbers where `segments` is 0
    segments : (N,) array of the segment each frame shows, 0 for all of them (a label map)
    names : number of each segment -> its label; the background of a label map is none
    warnings : sentences for people
    """

    frames: tuple[SliceHeader, ...]
    pixels: npt.NDArray[np.uint16]
    segments: npt.NDArray[np.int64]
    names: Mapping[int, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def is_segmentation(path: Path) -> bool:
    """Is the file a DICOM segmentation object?

    >>> is_segmentation(Path(__file__))
    False
    """
    return dicom_class(path) in SEGMENTATION_CLASSES


def read_segmentation(path: Path, budget_mb: float) -> SegmentationObject:
    """The frames of a segmentation file; raises BadFile when it is damaged, of an unknown type or over the budget.

    A fractional one is taken as a mask: a pixel belongs to a segment from HALF of the greatest value on.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = pydicom.dcmread(path, defer_size=BYTES_PER_VOXEL * 1024)
            frames = tuple(placed_slices(dataset, 0))
            check_budget((int(dataset.Rows), int(dataset.Columns), len(frames)), budget_mb)
            kind = str(dataset.get("SegmentationType"))
            pixels = np.asarray(pixel_array(dataset)).reshape(-1, int(dataset.Rows), int(dataset.Columns))
            segments = [_segment(frame) for frame in dataset.PerFrameFunctionalGroupsSequence]
            names = {int(s.SegmentNumber): str(s.get("SegmentLabel") or "") for s in dataset.SegmentSequence}
            greatest = int(dataset.get("MaximumFractionalValue") or np.iinfo(np.uint8).max)
    except BadFile:
        raise
    except Exception:
        raise BadFile(
            "the segmentation",
            "must be a whole DICOM segmentation object",
            got="a file that cannot be read",
            do="Export it again.",
        ) from None
    if kind not in ("BINARY", "FRACTIONAL", "LABELMAP"):
        raise BadFile(
            "the segmentation", "must be binary, fractional or a label map", got=kind, do="Export it as one of these."
        )
    if kind == "FRACTIONAL":
        pixels = pixels >= HALF * greatest
    if kind == "LABELMAP" and frames and frames[0].padding is not None:
        # The padding value of a label map stands for no segment.
        pixels = np.where(pixels == frames[0].padding, 0, pixels)
    named = {number: name for number, name in names.items() if number}
    reported = (FRACTIONAL_NOTE,) if kind == "FRACTIONAL" else ()
    shown = np.array(segments) * (kind != "LABELMAP")
    return SegmentationObject(frames, pixels.astype(np.uint16), shown, named, reported)


def segmentation_grid(segmentation: SegmentationObject) -> Grid:
    """The grid of a segmentation that stands alone, axes nearest R+, A+, S+; raises BadGeometry when it has gaps."""
    places = {tuple(frame.position_ras_mm.tolist()): frame for frame in segmentation.frames}
    ordered, affine = stacked(tuple(places.values()))
    rows, columns = ordered[0].shape
    empty = canonical(Volume(np.zeros((columns, rows, len(ordered)), np.uint8), affine))
    return Grid(empty.voxels.shape, empty.affine_ras_mm)


def segmentation_layers(segmentation: SegmentationObject, grid: Grid) -> list[Labels]:
    """Label maps of segment numbers on a grid: one, or as many as overlapping segments need.

    Frames may be fewer than the grid has slices, and in any order. Raises BadLabels when they do not lie on the grid.

    Returns
    -------
    layers : (nx, ny, nz) arrays on `grid`, 0 where there is no segment
    """
    layers: list[Labels] = []
    for segment in np.unique(segmentation.segments):
        values = np.zeros(grid.shape, dtype=np.uint16)
        for index in np.flatnonzero(segmentation.segments == segment):
            shown = segmentation.pixels[index] * (segment or 1)
            place = _voxels_of(segmentation.frames[index], grid)
            values[place] = np.maximum(values[place], shown.T)
        with_room(layers, values, 1)
    return layers


def _segment(frame: pydicom.Dataset) -> int:
    named = frame.get("SegmentIdentificationSequence")
    return int(named[0].ReferencedSegmentNumber) if named else 0


def _voxels_of(frame: SliceHeader, grid: Grid) -> tuple[npt.NDArray[np.int64], ...]:
    """Three (columns, rows) arrays of voxel indices, one for each pixel of the frame."""
    rows, columns = frame.shape
    to_index = np.linalg.inv(grid.affine_ras_mm[:3, :3])
    step: Float = to_index @ np.stack([frame.row_ras, frame.column_ras], axis=1) * frame.spacing_mm
    first = grid.index_of(frame.position_ras_mm)
    corners = first + np.array([(0, 0), (columns - 1, 0), (0, rows - 1), (columns - 1, rows - 1)]) @ step.T
    off = np.abs(corners - np.rint(corners)).max()
    inside = (np.rint(corners) >= 0).all() and (np.rint(corners) < grid.shape).all()
    if off > ON_VOXEL_TOL or not inside or (np.abs(np.rint(step)).sum(axis=0) != 1).any():
        raise BadLabels(
            "the segmentation",
            "must lie voxel for voxel on the scan's grid",
            got=f"a frame {'beside' if not inside else f'{off:.2f} voxels off'} it",
            do="Give the scan it was drawn on.",
        )
    column, row = np.indices((columns, rows))
    start, whole = np.rint(first).astype(int), np.rint(step).astype(int)
    return tuple(start[axis] + column * whole[axis, 0] + row * whole[axis, 1] for axis in range(3))
