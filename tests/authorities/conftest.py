"""Anatomies that several checks against outside sources share, built once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from canalwise.phantoms.cases.suite import phantom_suite
from canalwise.phantoms.imaging.render import render_scan
from canalwise.phantoms.imaging.scanner import PhantomScan
from canalwise.recon.anatomy import Anatomy
from canalwise.recon.grid import isotropic_grid
from tests.authorities.trend_scene import built, mean_scan

MEAN_SPACING_MM, PHANTOM_SPACING_MM = 1.0, 1.3
"""Coarse, for speed: these checks hold trends and wide published bands."""


HALF_WIDTH_MM = 36.0
"""Of the phantoms: past their joints and pedicles. The tips of transverse processes are needed for nothing."""


@pytest.fixture(scope="session")
def mean_folder(data_dir: Path) -> Path:
    """Mean vertebrae of 87 patients (Clouthier et al., J Biomech 2023;146:111421) and their patients' tables."""
    folder = data_dir / "mesh_lumbar_mean_L2-L5"
    if not folder.is_dir():
        pytest.skip("the mean lumbar meshes are not on this machine")
    return folder


@pytest.fixture(scope="session")
def mean_pair(mean_folder: Path) -> tuple[PhantomScan, Anatomy]:
    """A CT of the mean vertebrae, and L2 to L5 of them as it is built."""
    return mean_scan(mean_folder, MEAN_SPACING_MM)


@pytest.fixture(scope="session")
def mean_anatomy(mean_pair: tuple[PhantomScan, Anatomy]) -> Anatomy:
    """L2 to L5 of the mean vertebrae: only the vertebrae are given; parts, canal, sac and ligament are found."""
    return mean_pair[1]


@pytest.fixture(scope="session", params=["L3-L4", pytest.param("L4-L5", marks=pytest.mark.thorough)])
def phantom_level(request: pytest.FixtureRequest) -> tuple[Anatomy, str]:
    """A moderately narrow phantom with its own labels, and the level to operate on."""
    case = next(c for c in phantom_suite() if c.name == f"{request.param} moderate, from the left")
    ends = case.grid().world_mm(np.array([(0, 0, 0), case.grid().shape]) - [[0], [1]])
    middle_mm = ends[:, 0].mean()
    ends[:, 0] = np.clip(ends[:, 0], middle_mm - HALF_WIDTH_MM, middle_mm + HALF_WIDTH_MM)
    scan = render_scan(case.spec, isotropic_grid(ends.min(axis=0), ends.max(axis=0), PHANTOM_SPACING_MM))
    return built(scan, scan.labels, {"vertebrae", "parts", "canal", "sac", "flavum"}), request.param
