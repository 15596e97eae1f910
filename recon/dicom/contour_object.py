"""DICOM RT structure sets as label maps: closed contours, filled on the scan's slices by the even-odd rule.

Contours and their types: PS3.3 C.8.8.6 ROI contour module
(https://dicom.nema.org/medical/dicom/current/output/chtml/part03/sect_C.8.8.6.html). A hole may be joined to its
outline by a keyhole or be a contour of its own: even-odd fills both alike.
"""

from __future__ import annotations

import warnings
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom.uid import RTStructureSetStorage

from canalwise.recon.dicom.headers import LPS_TO_RAS
from canalwise.recon.dicom.label_objects import dicom_class, with_room
from canalwise.recon.errors import BadFile, BadLabels
from canalwise.recon.grid import Float, Grid
from canalwise.recon.image.polygon_fill import even_odd
from canalwise.recon.image.volume import check_budget
from canalwise.recon.labels import Labels, Mask

CLOSED = ("CLOSED_PLANAR", "CLOSEDPLANAR_XOR")

ON_PLANE_TOL = 0.25
"""A contour's points must lie this near a plane of voxel centres, as a share of the step between planes (choice): one
drawn on another series lies between them."""


@dataclass(frozen=True, eq=False)
class ContourObject:
    """The contours of a structure set.

    Parameters
    ----------
    names : number of each region -> its name
    outlines : number of a region -> its closed outlines, (N, 3) arrays of RAS mm
    left_out : how many contours are points or open lines, which enclose nothing
    """

    names: Mapping[int, str]
    outlines: Mapping[int, tuple[Float, ...]]
    left_out: int = 0


def is_contour_object(path: Path) -> bool:
    """Is the file a DICOM RT structure set?

    >>> is_contour_object(Path(__file__))
    False
    """
    return dicom_class(path) == RTStructureSetStorage


def read_contours(path: Path, budget_mb: float) -> ContourObject:
    """The closed contours of a structure set; raises BadFile when it is damaged, or has none."""
    check_budget((1, 1, path.stat().st_size), budget_mb)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = pydicom.dcmread(path)
            names = {int(roi.ROINumber): str(roi.get("ROIName") or "") for roi in dataset.StructureSetROISequence}
            outlines, left_out = _outlines(dataset)
    except Exception:
        raise BadFile(
            "the structure set",
            "must be a whole DICOM RT structure set",
            got="a file that cannot be read",
            do="Export it again.",
        ) from None
    if not outlines:
        raise BadFile("the structure set", "must hold closed contours", got="none", do="Outline the structures.")
    if lost := sorted(set(outlines) - set(names)):
        raise BadFile("the structure set", "must describe each region it outlines", got=f"regions {lost} without one")
    return ContourObject(names, outlines, left_out)


def contour_layers(contours: ContourObject, grid: Grid) -> list[Labels]:
    """Label maps of region numbers on a grid: one, or as many as overlapping regions need.

    Raises BadLabels when contours do not lie in planes of the grid.

    Returns
    -------
    layers : (nx, ny, nz) arrays on `grid`, 0 where there is no region
    """
    layers: list[Labels] = []
    for number, outlines in sorted(contours.outlines.items()):
        if not 0 < number <= np.iinfo(np.uint16).max:
            raise BadLabels("the structure set", "must number its regions from 1 to 65535", got=number)
        with_room(layers, _filled(outlines, grid), number)
    return layers


def missing_planes(contours: ContourObject, grid: Grid) -> dict[int, int]:
    """Number of a region -> how many planes between its first and last have no contour of it; only where there are."""
    found = {}
    for number, outlines in contours.outlines.items():
        planes = {_plane(grid.index_of(points))[1] for points in outlines}
        if gaps := max(planes) - min(planes) + 1 - len(planes):
            found[number] = gaps
    return found


def _outlines(dataset: pydicom.Dataset) -> tuple[dict[int, tuple[Float, ...]], int]:
    found: dict[int, tuple[Float, ...]] = {}
    left_out = 0
    for region in dataset.get("ROIContourSequence") or []:
        contours = region.get("ContourSequence") or []
        closed = [contour for contour in contours if contour.get("ContourGeometricType") in CLOSED]
        left_out += len(contours) - len(closed)
        if closed:
            found[int(region.ReferencedROINumber)] = tuple(_points(contour) for contour in closed)
    return found, left_out


def _points(contour: Any) -> Float:
    points = np.array([float(value) for value in contour.ContourData]).reshape(-1, 3) * LPS_TO_RAS
    if not np.isfinite(points).all() or len(points) < 3:
        raise ValueError("a closed contour needs three finite points")
    return points


def _filled(outlines: tuple[Float, ...], grid: Grid) -> Mask:
    """(nx, ny, nz) mask of what the outlines of one region enclose."""
    planes: dict[tuple[int, int], list[Float]] = defaultdict(list)
    for points in outlines:
        index = grid.index_of(points)
        axis, plane = _plane(index)
        if not 0 <= plane < grid.shape[axis]:
            raise _beside("a contour beside it")
        planes[axis, plane].append(np.delete(index, axis, axis=1))
    filled: Mask = np.zeros(grid.shape, dtype=bool)
    for (axis, plane), polygons in planes.items():
        first, second = (n for at, n in enumerate(grid.shape) if at != axis)
        within = even_odd([polygon[:, ::-1] for polygon in polygons], (first, second))
        filled[tuple(plane if at == axis else slice(None) for at in range(3))] |= within
    return filled


def _plane(index: Float) -> tuple[int, int]:
    """Axis and number of the plane of voxel centres in which (N, 3) points lie; raises BadLabels where in none."""
    off = np.abs(index - np.rint(index.mean(axis=0))).max(axis=0)
    axis = int(off.argmin())
    if off[axis] > ON_PLANE_TOL:
        raise _beside(f"a contour {off[axis]:.2f} steps off its planes")
    return axis, int(np.rint(index[:, axis].mean()))


def _beside(got: str) -> BadLabels:
    return BadLabels(
        "the structure set", "must lie in the slices of the scan", got=got, do="Give the scan it was drawn on."
    )
