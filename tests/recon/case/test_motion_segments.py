"""Levels as a whole: measurements of known shapes, warnings, laws."""

import numpy as np
import pytest

from canalwise.recon.anatomy import Level
from canalwise.recon.case.motion_segments import frames_of, levels_of
from canalwise.recon.labels import Part, Tissue, label_of
from canalwise.recon.level.facet_joints import joints_of
from canalwise.recon.measurement.kinds import NARROWEST_SAC
from tests.recon.shapes import CANAL_HALF_DEPTH, CANAL_HALF_WIDTH, DISC_HEIGHT, case, level, view


def value(level: Level, name: str, at: str = "", structure: str = "") -> float:
    return next(m.value for m in level.measurements if m.name == name and at in m.at and structure in m.structure)


@pytest.mark.parametrize("which", ["plain", "turned"])
def test_measurements_of_known_shapes(which: str) -> None:
    found = level(which)
    ellipse_mm2 = np.pi * CANAL_HALF_WIDTH * CANAL_HALF_DEPTH
    assert value(found, "canal area", "canal at disc") == pytest.approx(ellipse_mm2, rel=0.03)
    depth_mm = value(found, "canal mid-sagittal diameter", "canal at pedicle", "L4")
    assert depth_mm == pytest.approx(2 * CANAL_HALF_DEPTH, abs=0.5)
    assert value(found, "posterior disc height") == pytest.approx(DISC_HEIGHT, abs=0.5)
    assert value(found, "foramen height", structure="left") == pytest.approx(22.0, abs=0.5)
    assert value(found, "slip", "midline") == pytest.approx(0.0, abs=0.6)
    assert value(found, "interpedicular distance", structure="L3") == pytest.approx(16.0, abs=1.5)
    assert value(found, "spinous base width") == pytest.approx(8.0, abs=0.6)
    assert value(found, "pars width", structure="left") == pytest.approx(8.0, abs=1.0)


def test_a_sac_pressed_shut_at_the_disc_measures_nothing_there_and_is_severe() -> None:
    _, labels, share, grid = case("plain")
    heights = level("plain").frame.to_level_mm(grid.voxel_centres_mm())[..., 2]
    sac = np.where((labels == Tissue.CANAL) & (np.abs(heights) > 4.0), Tissue.SAC, labels).astype(np.uint16)
    found = levels_of(sac, share, grid, sources={"canal": "given", "sac": "given", "flavum": "given"})[0]
    assert value(found, "dural sac area") == 0.0
    assert value(found, NARROWEST_SAC) == pytest.approx(0.0, abs=1.0)
    assert [m.band for m in found.measurements if "dural sac area" in m.name] == ["severe stenosis"] * 2


def test_every_area_names_its_structure_and_slice() -> None:
    for measurement in level("plain").measurements:
        assert measurement.structure
        assert measurement.at
        assert np.isfinite(measurement.value)


def test_turning_the_patient_changes_no_measurement_that_both_have() -> None:
    plain, turned = level("plain"), level("turned")
    area = value(plain, "canal area", "canal at disc")
    assert value(turned, "canal area", "canal at disc") == pytest.approx(area, rel=0.03)
    for name in ("posterior disc height", "lamina thickness", "foramen height", "spinous base width"):
        assert value(turned, name) == pytest.approx(value(plain, name), abs=0.5)  # half a voxel


def test_shifting_the_patient_moves_only_places() -> None:
    _, labels, share, grid = case("plain")
    affine = grid.affine_ras_mm.copy()
    affine[:3, 3] += [100.0, -50.0, 20.0]
    moved = levels_of(labels, share, type(grid)(grid.shape, affine))[0]
    still = level("plain")
    assert np.allclose(moved.frame.origin_ras_mm - still.frame.origin_ras_mm, [100, -50, 20], atol=1e-3)
    values = [m.value for m in still.measurements]
    assert [m.value for m in moved.measurements] == pytest.approx(values, rel=1e-3, abs=1e-3)


def test_a_side_without_joint_is_left_out_with_a_warning() -> None:
    _, labels, share, grid = case("plain")
    bare = labels.copy()
    gone = np.isin(labels, [label_of("L3", Part.INFERIOR_ARTICULAR_LEFT), label_of("L4", Part.SUPERIOR_ARTICULAR_LEFT)])
    bare[gone] = 9
    found = levels_of(bare, np.where(gone, 0, share), grid)[0]
    assert set(found.joints) == {"right"}
    assert any("no facet joint found on the left side" in sentence for sentence in found.warnings)
    assert not any(m.name == "facet tropism" for m in found.measurements)


def test_a_pair_without_both_bodies_is_left_out_and_named() -> None:
    _, labels, share, grid = case("plain")
    bare = np.where(labels == label_of("L4", Part.BODY), 9, labels).astype(np.uint16)
    frames, left_out = frames_of(bare, share, grid)
    assert frames == {}
    assert "L3-L4 left out" in left_out[0]
    assert "L4 body" in left_out[0]


def test_same_input_same_numbers() -> None:
    one, two = joints_of(view("plain"))["left"], joints_of(view("plain"))["left"]
    assert (one.area_mm2 == two.area_mm2).all()
    assert (one.inferior_face_ras_mm == two.inferior_face_ras_mm).all()
