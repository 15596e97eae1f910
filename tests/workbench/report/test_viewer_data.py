"""The scene in the report: what was packed comes back, the bytes are the same, nothing is read from elsewhere."""

from __future__ import annotations

import gzip
import re
from base64 import b64decode
from dataclasses import asdict

import numpy as np
import pytest

from canalwise.estimator.estimate.estimate import estimate, estimate_of
from canalwise.estimator.level.prepared_level import prepared_level
from canalwise.estimator.outcome.decompressed import decompressed
from canalwise.estimator.planning.default_approach import default_approach
from canalwise.phantoms.spec import demo_spec
from canalwise.workbench.report.viewer_data import BONE_TRIANGLES, STEPS, viewer_data
from canalwise.workbench.style.page_bundle import VIEWER, VIEWER_STYLE, page_text
from canalwise.workbench.surfaces.binary_frames import frame_of
from canalwise.workbench.surfaces.surface_frame import level_scene
from tests.labelled_phantoms import LEVEL, labelled
from tests.workbench import toy

MOST_BYTES = 5_000_000
"""Of a whole report; pictures and charts of full size take 2.4 million of it on the demonstration."""

FULL_PICTURES_BYTES = 2_400_000


@pytest.fixture(scope="module")
def found():
    return estimate(toy.anatomy(), default_approach(toy.anatomy(), "L3-L4", "left"))


@pytest.fixture(scope="module")
def embedded(found):
    return frame_of(gzip.decompress(b64decode(viewer_data(found))))


def test_points_come_back_within_half_a_step(found, embedded):
    header, arrays = embedded
    whole, meshes = frame_of(level_scene(found.anatomy, found.level, BONE_TRIANGLES))
    assert header["meshes"] == [name for name in whole["meshes"] if name != "bone_proxy"]
    for name in header["meshes"]:
        reported = header["packed"][name]
        points = arrays[f"{name}.points"] * reported["scale"] + reported["offset"]
        longest_mm = np.ptp(meshes[f"{name}.points"], axis=0).max()
        assert np.abs(points - meshes[f"{name}.points"]).max() <= 0.51 * longest_mm / STEPS + 1e-5
        assert (arrays[f"{name}.triangles"] == meshes[f"{name}.triangles"]).all()


def test_the_plan_and_what_it_takes_are_in_it(found, embedded):
    header, arrays = embedded
    assert header["plan"]["phases"][1]["medial_tilt_deg"] == asdict(found.approach)["phases"][1]["medial_tilt_deg"]
    bone_mm3 = (arrays["removal.task"] / 255.0 * (arrays["removal.bone"] / 255.0)).sum() * toy.SPACING_MM**3
    assert bone_mm3 == pytest.approx(found.task.removal.total_mm3, rel=0.02)


def test_what_is_interactive_leaves_room_for_the_pictures():
    level = prepared_level(labelled(demo_spec()), LEVEL)
    freed = decompressed(level, default_approach(level.anatomy, LEVEL, "left"))
    scene = viewer_data(estimate_of(level, freed.resection.approach), freed)
    assert len(scene) + len(page_text(VIEWER)) + len(page_text(VIEWER_STYLE)) + FULL_PICTURES_BYTES <= MOST_BYTES


def test_the_same_estimate_gives_the_same_text(found):
    assert viewer_data(found) == viewer_data(found)


def test_a_report_reads_nothing_from_elsewhere(toy_report):
    scripts = re.findall(r"<script([^>]*)>", toy_report.html)
    assert len(scripts) == 2
    assert not any("src=" in script for script in scripts)
    assert not re.search(r"<link|@import|url\(\s*['\"]?http", toy_report.html)
