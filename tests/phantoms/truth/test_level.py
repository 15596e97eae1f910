"""Truth of a level: symmetry, definitions, JSON."""

from __future__ import annotations

import json

import numpy as np
import pytest

from canalwise.phantoms.anatomy.spine_model import Spine
from canalwise.phantoms.cases.suite import phantom_suite
from canalwise.phantoms.truth.frame import canal_section
from canalwise.phantoms.truth.level import LevelTruth, truth_json
from canalwise.recon.labels import SIDES, level_vertebrae

SYMMETRY_TOL_MM = 0.3
"""A lattice step: left and right landmarks of a symmetric spine mirror each other to this."""


def test_landmarks_of_a_symmetric_spine_mirror_each_other(normal_l3_l4: LevelTruth) -> None:
    marks = {name: normal_l3_l4.frame.to_local_mm(point) for name, point in normal_l3_l4.landmarks_ras_mm.items()}
    for name in [n for n in marks if n.endswith("_left")]:
        twin = marks[name.replace("_left", "_right")]
        assert np.abs(marks[name] * [-1, 1, 1] - twin).max() < SYMMETRY_TOL_MM, name
        assert marks[name][0] > 0


def test_landmarks_stand_in_order(normal_l3_l4: LevelTruth) -> None:
    z = {name: float(normal_l3_l4.frame.to_local_mm(point)[2]) for name, point in normal_l3_l4.landmarks_ras_mm.items()}
    assert z["lower_pedicle_upper_edge_left"] < 0 < z["upper_pedicle_lower_edge_left"] < z["upper_pedicle_medial_left"]
    assert z["lower_lamina_cranial_edge_left"] < z["upper_lamina_caudal_edge_left"] < z["upper_pars_left"]


def test_origin_is_the_canals_centroid(normal: Spine, normal_l3_l4: LevelTruth) -> None:
    assert np.abs(canal_section(normal, normal_l3_l4.frame, 0.0).centroid_mm()).max() < 0.02


def test_disc_border_lies_on_the_canals_wall(normal_l3_l4: LevelTruth) -> None:
    border = normal_l3_l4.frame.to_local_mm(normal_l3_l4.landmarks_ras_mm["disc_dorsal_border"])
    assert abs(border[0]) < 1e-6
    assert -12.0 < border[1] < -6.0
    assert abs(border[2]) < 1e-6


def test_targets_follow_their_definitions(normal_l3_l4: LevelTruth) -> None:
    for side in SIDES:
        aims = {n: normal_l3_l4.frame.to_local_mm(p) for n, p in normal_l3_l4.targets_ras_mm[side].items()}
        assert set(aims) == {"canal wall", "disc border", "lateral recess", "foramen entrance"}
        for name, points in aims.items():
            assert len(points) >= 3, name
            assert (points[:, 0] > 0).all() if side == "left" else (points[:, 0] < 0).all()
            assert np.ptp(points[:, 2]) < 1e-9
        assert np.allclose(aims["canal wall"][:, 2], 0.0)
        w = np.abs(aims["canal wall"][:, 0]).max()
        assert np.abs(aims["canal wall"][:, 0]).min() >= 0.5 * w - 1e-9
        assert (aims["disc border"][:, 1] < 0).all()


def test_window_normal_stands_across_the_midline_and_points_dorsally(stenotic_l3_l4: LevelTruth) -> None:
    for window in stenotic_l3_l4.windows.values():
        local = stenotic_l3_l4.frame.axes_ras @ window.normal_ras
        assert abs(local[0]) < 1e-9
        assert local[1] > 0


def test_gap_and_areas_are_as_made(normal_l3_l4: LevelTruth, stenotic_l3_l4: LevelTruth) -> None:
    for side in SIDES:
        joint = normal_l3_l4.joints[side]
        distances = np.linalg.norm(joint.superior_face_ras_mm - joint.inferior_face_ras_mm, axis=1)
        assert distances == pytest.approx(1.5)
        assert joint.gap_mm == 1.5
    assert stenotic_l3_l4.areas_mm2["canal at disc"] < normal_l3_l4.areas_mm2["canal at disc"]


def test_json_is_plain(normal: Spine, normal_l3_l4: LevelTruth) -> None:
    record = json.loads(json.dumps(truth_json(normal, {"L3-L4": normal_l3_l4})))
    assert record["schema"] == "canalwise phantom truth 1"
    assert set(record["levels"]["L3-L4"]["joints"]) == {"left", "right"}


def test_suite_covers_levels_sides_grids_and_each_case_holds_its_level() -> None:
    cases = phantom_suite()
    assert len(cases) >= 20
    assert {(c.level, c.side) for c in cases} >= {
        (lv, s) for lv in ("L1-L2", "L2-L3", "L3-L4", "L4-L5", "L5-S1") for s in SIDES
    }
    assert any(np.ptp(c.grid().spacing_mm) > 0.1 for c in cases)
    for case in cases:
        spine_level = level_vertebrae(case.level)
        assert set(spine_level) <= set(case.spec.vertebrae)
        grid = case.grid()
        assert grid.contains(np.array(case.spec.origin_ras_mm)) or "L3" not in case.level
        assert np.prod(grid.shape) < 20e6
