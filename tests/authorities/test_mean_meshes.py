"""The mean vertebrae of 87 patients, built from their shapes alone, against their own patients and published ranges.

Their table gives mean, least and greatest of each patient's mean over the vertebrae L2 to L5 (Clouthier et al., J
Biomech 2023;146:111421), so the mean over the levels is what is compared.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from canalwise.recon.anatomy import Anatomy, Level
from canalwise.recon.labels import Part
from canalwise.recon.level.axial_contour import canal_contour
from canalwise.recon.level.frame import end_plates
from canalwise.recon.level.resampled_level import ResampledLevel, local_view
from tests.authorities import value

LEVELS = ("L2-L3", "L3-L4", "L4-L5")

PEDICLE_AREA_SD_MM2 = 64.0
"""Spread between patients of the canal's area at the pedicles (Maeder et al., Diagnostics 2023;13(4):734)."""

LAMINA_EDGE_TOL_MM = 3.0
"""The source gives level means without a spread; ours, about the width of its other lamina row."""


def table(folder: Path, name: str) -> tuple[float, float, float]:
    """(mean, least, greatest) over the patients."""
    mean, low, high = (float(v) for v in (folder / f"mean{name}_y.csv").read_text().split(","))
    return mean, low, high


def measured(anatomy: Anatomy, name: str, at: str = "") -> list[float]:
    """Every value of a measurement over the levels, L3 and L4 from both of their levels."""
    return [m.value for level in anatomy.levels for m in level.measurements if m.name == name and at in m.at]


def seen(anatomy: Anatomy, level: Level) -> ResampledLevel:
    """A level's own view of the anatomy."""
    return local_view(anatomy.labels, anatomy.occupancy, anatomy.grid, level.frame, (level.upper, level.lower))


def canal_widths_mm(anatomy: Anatomy, level: Level) -> list[float]:
    """Greatest width of the canal at the middle of both vertebrae's pedicles."""
    view = seen(anatomy, level)
    heights = [
        np.median(view.points_mm(view.mask(name, Part.PEDICLE_LEFT, Part.PEDICLE_RIGHT))[:, 2])
        for name in (level.upper, level.lower)
    ]
    outlines = [canal_contour(view, float(z)) for z in heights]
    return [float(np.ptp(outline[:, 0])) for outline in outlines if outline is not None]


def test_all_levels_are_found_with_both_joints_and_windows(mean_anatomy: Anatomy) -> None:
    assert tuple(level.name for level in mean_anatomy.levels) == LEVELS
    for level in mean_anatomy.levels:
        assert len(level.joints) == len(level.windows) == len(level.targets) == 2


def test_canal_depth_lies_among_the_patients(mean_anatomy: Anatomy, mean_folder: Path) -> None:
    _, low, high = table(mean_folder, "CanalDepth")
    assert low < np.mean(measured(mean_anatomy, "canal mid-sagittal diameter", "pedicle")) < high


def test_canal_width_lies_among_the_patients(mean_anatomy: Anatomy, mean_folder: Path) -> None:
    """Theirs agrees with the mean width of the closed bony rings of these shapes, recesses included.

    The interpedicular distance, at its narrowest, is smaller by definition.
    """
    _, low, high = table(mean_folder, "CanalWidth")
    widths = [w for level in mean_anatomy.levels for w in canal_widths_mm(mean_anatomy, level)]
    assert low < np.mean(widths) < high
    assert np.mean(measured(mean_anatomy, "interpedicular distance")) < np.mean(widths)


def test_disc_height_lies_among_the_patients(mean_anatomy: Anatomy, mean_folder: Path) -> None:
    """Ours is at the dorsal border, lower than their whole disc's by lordosis."""
    mean, low, _ = table(mean_folder, "DiscHeight")
    assert low < np.mean(measured(mean_anatomy, "posterior disc height")) < mean


def test_facet_angle_lies_among_the_patients_and_is_theirs_from_the_coronal_plane(
    mean_anatomy: Anatomy, mean_folder: Path
) -> None:
    """Their table does not state its reference. Its 60.6 deg is inferred to be from the coronal plane:
    the same shapes measure 28 to 44 deg from the sagittal plane, so 90 less ours must come nearer than ours."""
    mean, low, high = table(mean_folder, "FacetAngle")
    ours = float(np.mean(measured(mean_anatomy, "facet angle from sagittal plane")))
    assert low < 90.0 - ours < high
    assert abs(90.0 - ours - mean) < min(abs(ours - mean), 10.0)


@pytest.mark.parametrize("name", ["L3-L4", "L4-L5"])
def test_facet_angles_are_those_published_for_the_level(mean_anatomy: Anatomy, name: str) -> None:
    low, high = value("facets", "facet angle", name).band(2.0)
    for joint in mean_anatomy.level(name).joints.values():
        assert low < joint.angle_deg < high


def test_the_mean_of_many_is_symmetric(mean_anatomy: Anatomy) -> None:
    for level in mean_anatomy.levels:
        left, right = (level.joints[side].angle_deg for side in ("left", "right"))  # type: ignore[index]
        assert abs(left - right) < value("facets", "tropism limit").mean  # type: ignore[operator]


def test_canal_lengths_lie_in_published_ranges(mean_anatomy: Anatomy) -> None:
    for quantity in ("interpedicular distance", "mid-sagittal diameter"):
        low, high = value("canal", quantity, "L1-L5").band()
        found = measured(mean_anatomy, quantity if "inter" in quantity else f"canal {quantity}")
        assert found
        assert all(low < v < high for v in found)


@pytest.mark.parametrize("vertebra", ["L2", "L4"])
def test_canal_area_at_the_pedicles_lies_in_its_published_range(mean_anatomy: Anatomy, vertebra: str) -> None:
    low, high = value("canal", "bony canal area at pedicle", vertebra).band()
    found = [
        m.value
        for level in mean_anatomy.levels
        for m in level.measurements
        if m.name == "canal area" and m.structure == f"canal of {vertebra}"
    ]
    assert found
    assert all(low - 2 * PEDICLE_AREA_SD_MM2 < v < high + 2 * PEDICLE_AREA_SD_MM2 for v in found)


def test_canal_at_the_disc_is_that_of_controls_not_of_stenosis(mean_anatomy: Anatomy) -> None:
    """Without discs and ligament the canal is open wide: it may exceed the controls', never fall to the patients'."""
    area = next(m.value for m in mean_anatomy.level("L4-L5").measurements if m.name == "canal area" and "disc" in m.at)
    assert area > value("canal", "canal area at facet joints, stenosis", "L4-L5").mean  # type: ignore[operator]
    assert area < value("canal", "canal area at facet joints, controls", "L4-L5").band()[1]


@pytest.mark.xfail(strict=True, reason="6.3 mm at L3: these mean shapes' laminae reach higher than the specimens'")
def test_upper_lamina_edge_lies_below_the_end_plate_as_in_specimens(mean_anatomy: Anatomy) -> None:
    low, high = value("interlaminar", "upper lamina edge below upper end plate", "L1-L5").band()
    for level in mean_anatomy.levels:
        below = lamina_edge_below_mm(seen(mean_anatomy, level))
        assert low - LAMINA_EDGE_TOL_MM < below < high + LAMINA_EDGE_TOL_MM, (level.name, below)


def lamina_edge_below_mm(view: ResampledLevel) -> float:
    """From the lower vertebra's upper end plate, prolonged dorsally, down to its laminae's edge beside the midline."""
    plates = end_plates(view)
    lamina = view.points_mm(view.mask(view.lower, Part.LAMINA_LEFT, Part.LAMINA_RIGHT))
    beside = lamina[np.abs(lamina[:, 0]) < 6.5]
    return float((-(beside - plates.lower_point_mm) @ plates.lower_normal).min())


@pytest.mark.parametrize("name", ["L2-L3", "L3-L4", "L4-L5"])
def test_window_lies_between_its_own_laminae(mean_anatomy: Anatomy, name: str) -> None:
    level = mean_anatomy.level(name)
    for window in level.windows.values():
        z = level.frame.to_level_mm(window.centre_ras_mm)[2]
        assert -15.0 < z < 0.0
        assert level.frame.direction_level(window.normal_ras)[1] > np.cos(np.radians(45))


@pytest.mark.xfail(strict=True, reason="joint faces are paired up to 4 mm apart, past the rim of the drawn faces")
def test_facet_area_lies_among_the_patients(mean_anatomy: Anatomy, mean_folder: Path) -> None:
    """Theirs is of each face, cm2; ours the mean of the two."""
    greatest = np.mean([table(mean_folder, name)[2] for name in ("FacetAreaInf", "FacetAreaSup")])
    assert np.mean(measured(mean_anatomy, "facet joint area")) < 100 * greatest
