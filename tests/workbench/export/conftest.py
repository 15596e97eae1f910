"""The toy segment as a case, and its export, each made once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwise.estimator.planning.default_approach import default_approach
from canalwise.recon.case.folder import write_case
from canalwise.recon.grid import Grid
from canalwise.recon.image.volume import Volume, canonical
from canalwise.recon.labels import Tissue
from canalwise.recon.scan import Scan
from canalwise.workbench.export.exported import write_export
from canalwise.workbench.export.formats import FORMATS, ExportJob
from tests.workbench import toy


def upright(voxels: np.ndarray) -> np.ndarray:
    """The toy's voxels with axes toward R, A and S, as a case holds them."""
    return canonical(Volume(voxels, toy.grid().affine_ras_mm)).voxels


def with_ligament() -> np.ndarray:
    """The toy's labels with a ligamentum flavum dorsal of the sac, without which nothing is to be freed."""
    _, y, z = np.moveaxis(toy.LOW_MM + toy.SPACING_MM * np.stack(np.indices(toy.SHAPE), -1), -1, 0)
    dorsal = (toy.labels() == Tissue.CANAL) & (y > 1) & (np.abs(z) < 14)
    return np.where(dorsal, np.uint16(Tissue.FLAVUM), toy.labels())


@pytest.fixture(scope="session")
def toy_case(tmp_path_factory):
    """The toy as a case whose axes run as those of every case."""
    affine = canonical(Volume(toy.labels(), toy.grid().affine_ras_mm)).affine_ras_mm
    grid = Grid(upright(toy.labels()).shape, affine)
    scan = Scan(upright(toy.scan().voxels), grid, "CT", {"format": "made up"})
    own = toy.anatomy()
    anatomy = replace(own, grid=grid, labels=upright(with_ligament()), occupancy=upright(own.occupancy))
    return write_case(tmp_path_factory.mktemp("export") / "case", scan, anatomy)


@pytest.fixture(scope="session")
def exported(toy_case, tmp_path_factory):
    """The toy planned from the left, in all formats without sheet and page: the folder and the list of its files."""
    folder = tmp_path_factory.mktemp("export") / "all"
    job = ExportJob(toy_case, default_approach(toy_case.anatomy, "L3-L4", "left"))
    formats = tuple(name for name in FORMATS if name not in ("radiograph", "sheet", "page"))
    return folder, write_export(folder, job, formats, say=lambda _: None)
