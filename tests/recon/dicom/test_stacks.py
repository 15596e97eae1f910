"""Several MR series in one folder: read as the stacks of an examination, scouts and what cannot be read left out."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.phantoms.imaging.write import write_dicom_series
from canalwise.recon.dicom.reader import read_dicom_stacks
from canalwise.recon.grid import Grid
from canalwise.recon.intake.examination import read_examination

BUDGET_MB = 500.0


def series(folder: Path, number: int, modality: str, axes: tuple[int, int, int]) -> None:
    """A series of a smooth picture whose slices lie across the last of three axes."""
    affine = np.zeros((4, 4))
    affine[3, 3] = 1.0
    steps = (1.0, 1.0, 3.0)
    for column, (axis, step) in enumerate(zip(axes, steps, strict=True)):
        affine[axis, column] = step
    shape = (40, 40, 14)
    grid = Grid(shape, affine)
    x, y, z = np.moveaxis(grid.voxel_centres_mm(), -1, 0)
    picture = (300 + 200 * np.sin(x / 5) * np.cos(y / 6) * np.sin(z / 7)).astype(np.int16)
    labels = np.zeros(shape, np.uint16)
    write_dicom_series(PhantomScan(picture - 600, picture, labels, grid), folder, modality=modality, series=number)  # type: ignore[arg-type]


def test_sagittal_and_axial_series_are_put_together(tmp_path: Path) -> None:
    series(tmp_path / "a", 1, "MR", (1, 2, 0))
    series(tmp_path / "b", 2, "MR", (0, 1, 2))
    stacks, left_out = read_dicom_stacks(tmp_path, BUDGET_MB)
    assert sorted(stack.said.split(" slices")[0] for stack in stacks) == ["MR, 14 axial", "MR, 14 sagittal"]
    assert {(stack.echo_ms, stack.repetition_ms) for stack in stacks} == {(100.0, 4000.0)}
    assert left_out == ()
    scan = read_examination([tmp_path])
    assert "axial slices" in scan.provenance["stacks"]
    assert "moved by" in scan.provenance["stacks"]
    assert np.ptp(scan.grid.spacing_mm) < 1e-6


def test_one_series_is_read_as_ever(tmp_path: Path) -> None:
    series(tmp_path / "a", 1, "MR", (1, 2, 0))
    stacks, left_out = read_dicom_stacks(tmp_path, BUDGET_MB)
    assert len(stacks) == 1
    assert left_out == ()
    assert read_examination([tmp_path]).grid.shape == (14, 40, 40)
