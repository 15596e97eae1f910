"""The hard cases as a set: complete, distinct, and each with the view and the names it says; warps against formulas."""

from __future__ import annotations

import numpy as np
import pytest

from canalwise.phantoms.cases.hard_case import HardCase, levels_in_view, names_in_view, trimmed
from canalwise.phantoms.cases.hard_cases import hard_suite
from canalwise.phantoms.imaging.artefacts import streaks_hu
from canalwise.phantoms.imaging.voxelise import Mesh, cortex_of, occupancy_of
from canalwise.phantoms.imaging.warp import Warp, warped
from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Grid, isotropic_grid
from canalwise.recon.labels import level_vertebrae

SUITE = hard_suite()
MOST_VOXELS = 7e6
"""A case must be rendered and built in well under a minute."""

AXES = {
    "density",
    "gap",
    "fused",
    "sclerosis",
    "calcified",
    "osteophytes",
    "disc",
    "slip",
    "scoliosis",
    "lordosis",
    "slices",
    "noise",
    "bystanders",
    "names",
    "view",
    "metal",
    "shape",
}


def cube(half_mm: float) -> Mesh:
    """A cube about the origin, wound outward."""
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half_mm
    faces = [
        [0, 1, 3],
        [0, 3, 2],
        [4, 6, 7],
        [4, 7, 5],
        [0, 4, 5],
        [0, 5, 1],
        [2, 3, 7],
        [2, 7, 6],
        [0, 2, 6],
        [0, 6, 4],
        [1, 5, 7],
        [1, 7, 3],
    ]
    return Mesh(corners.astype(float), np.array(faces))


def test_every_axis_and_severity_is_there() -> None:
    assert {axis for case in SUITE for axis in case.axes} == AXES
    assert {case.severity for case in SUITE} == {1, 2, 3}


def test_planned_levels_are_seen_and_grids_are_modest() -> None:
    for case in SUITE:
        assert case.level in case.levels
        if not case.is_mesh:
            assert set(level_vertebrae(case.level)) <= set(case.spec.vertebrae)
            assert np.prod(case.grid().shape) < MOST_VOXELS, case.name


def test_the_same_suite_every_time() -> None:
    assert [repr(case) for case in hard_suite()] == [repr(case) for case in SUITE]


def test_names_a_person_would_give() -> None:
    labels = np.repeat(np.array([2001, 2101, 2201, 2301], np.uint16), [3, 100, 100, 30])
    assert names_in_view(labels) == ("L2", "L3", "L4")
    assert names_in_view(labels, 0.5) == ("L2", "L3")
    case = next(c for c in SUITE if c.levels == ("L3-L4", "L4-L5"))
    assert isinstance(case, HardCase)
    assert levels_in_view(case, labels) == ("L3-L4",)


def test_trimmed_grid_keeps_its_place() -> None:
    grid = Grid((4, 4, 20), np.diag([1.0, 1.0, 2.0, 1.0]))
    cut = trimmed(grid, (6.0, 10.0))
    assert cut.shape == (4, 4, 12)
    assert cut.world_mm([0, 0, 0])[2] == 6.0


@pytest.mark.parametrize("warp", [Warp((1.1, 0.9, 1.2)), Warp(shear_frac=(0.2, -0.1)), Warp(axial_deg=40.0)])
def test_volume_of_an_affine_or_twisting_warp(warp: Warp) -> None:
    # scaling multiplies volumes, shear keeps them; a twist keeps them but for the facets of a coarse cube
    mesh = cube(10.0)
    found = warped({"L3": mesh}, warp)["L3"].volume_mm3
    assert found == pytest.approx(mesh.volume_mm3 * float(np.prod(warp.size_frac)), rel=0.02)


def test_bend_keeps_the_axis_length_and_turns_its_end() -> None:
    line = np.stack([np.zeros(101), np.zeros(101), np.linspace(0, 100, 101)], axis=-1)
    bent = Warp(coronal_deg=30.0).points_mm(line, np.zeros(3))
    steps = np.diff(bent, axis=0)
    assert np.linalg.norm(steps, axis=1) == pytest.approx(1.0, abs=1e-4)
    first, last = steps[0] / np.linalg.norm(steps[0]), steps[-1] / np.linalg.norm(steps[-1])
    assert np.degrees(np.arccos(first @ last)) == pytest.approx(29.7, abs=0.1)  # 30 deg from end to end, less a step


def test_ripple_is_as_high_as_requested() -> None:
    points = np.random.default_rng(1).uniform(-60, 60, (4000, 3))
    moved = Warp(ripple_mm=2.0).points_mm(points, np.zeros(3)) - points
    assert np.abs(moved).max() == pytest.approx(2.0, abs=0.02)


def test_warp_that_would_fold_is_refused() -> None:
    with pytest.raises(WrongUse, match="volume of L3"):
        warped({"L3": cube(30.0)}, Warp(coronal_deg=400.0))


@pytest.mark.parametrize("spacing_mm", [1.0, 2.0])
def test_thin_cortex_of_a_cube_has_its_volume(spacing_mm: float) -> None:
    mesh, thick = cube(10.0), 0.7
    grid = isotropic_grid([-14.0] * 3, [14.0] * 3, spacing_mm)
    shell = float(cortex_of(mesh, grid, thick).sum()) * grid.voxel_mm3
    assert shell == pytest.approx(20.0**3 - (20.0 - 2 * thick) ** 3, rel=0.12)
    assert float(occupancy_of(mesh, grid).sum()) * grid.voxel_mm3 == pytest.approx(8000.0, rel=0.02)


def test_streaks_are_dark_between_two_rods_and_none_without_metal() -> None:
    grid = Grid((64, 64, 2), np.eye(4))
    x, y = np.mgrid[:64, :64]
    rods = (np.hypot(x - 20, y - 32) < 3) | (np.hypot(x - 44, y - 32) < 3)
    metal = np.stack([rods, np.zeros_like(rods)], axis=-1).astype(np.float32)
    found = streaks_hu(metal, grid, 1)
    assert not found[:, :, 1].any()
    between, beside = found[30:35, 31:34, 0].mean(), found[30:35, 10:14, 0].mean()
    assert between < -50.0
    assert abs(beside) < abs(between) / 2
    assert np.array_equal(found, streaks_hu(metal, grid, 1))
