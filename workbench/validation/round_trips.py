"""A phantom's labels out through each format and in again by the door: how many voxels differ."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from canalwise.phantoms.anatomy.spine import spine_of
from canalwise.phantoms.cases.stenotic import stenotic_spec
from canalwise.phantoms.imaging.grids import natural_grid
from canalwise.recon.dicom.contour_object import contour_layers, read_contours
from canalwise.recon.grid import Grid
from canalwise.recon.intake.label_maps import read_given_labels
from canalwise.recon.labels import Labels, bone_mask
from canalwise.recon.scan import Scan
from canalwise.workbench.dicom.files import dicom_bytes
from canalwise.workbench.dicom.frame_stack import FrameStack
from canalwise.workbench.dicom.identity import own_identity
from canalwise.workbench.dicom.images import own_stack
from canalwise.workbench.export.dicom_files import contours, labels_label_map, labels_segmentation
from canalwise.workbench.export.label_files import names_in, names_toml, nifti_bytes
from canalwise.workbench.validation.rows import ValidationRow

SPACING_MM = 2.0
"""Coarse: a thousand frames of segments, which take seconds to write and read."""
KEY = "validation"
SOURCE = "the map that was written"


def round_trip_rows(spacing_mm: float = SPACING_MM) -> list[ValidationRow]:
    """A row for each format that carries labels."""
    spec, level = stenotic_spec(0)
    grid = natural_grid(spec, spacing_mm, (level,))
    labels = spine_of(spec).label_and_depth(grid.voxel_centres_mm().reshape(-1, 3))[0].reshape(grid.shape)
    stack = own_stack(Scan(np.zeros(grid.shape, np.int16), grid, "CT"), own_identity(KEY), KEY)
    with tempfile.TemporaryDirectory() as folder:
        differ = _differing(Path(folder), labels, grid, stack)
    return [
        ValidationRow("round trip", f"voxels that differ after {what}", float(count), 0.0, 0.0, labels.size, SOURCE)
        for what, count in differ.items()
    ]


def _differing(folder: Path, labels: Labels, grid: Grid, stack: FrameStack) -> dict[str, int]:
    identity = own_identity(KEY)
    (folder / "labels.nii.gz").write_bytes(nifti_bytes(labels, grid))
    (folder / "names.toml").write_bytes(names_toml([names_in(labels)]))
    objects = {"binary": labels_segmentation, "label map": labels_label_map}
    for name, make in objects.items():
        (folder / f"{name}.dcm").write_bytes(dicom_bytes(make(labels, grid, stack, identity)))
    (folder / "contours.dcm").write_bytes(dicom_bytes(contours(labels, grid, None, stack, identity)))
    given = {
        "NIfTI with names": read_given_labels([folder / "labels.nii.gz"], folder / "names.toml", grid),
        **{f"DICOM segmentation, {n}": read_given_labels([folder / f"{n}.dcm"], None, grid) for n in objects},
    }
    found = {what: int((one.labels != labels).sum()) for what, one in given.items()}
    layers = contour_layers(read_contours(folder / "contours.dcm", 500.0), grid)
    bone = np.any([(layer % 100 == 20) & (layer > 0) for layer in layers], axis=0)
    return found | {"DICOM structure set, bone": int((bone != bone_mask(labels)).sum())}
