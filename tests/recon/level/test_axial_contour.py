"""Outlines against the ellipse they come from."""

import numpy as np
import pytest

from canalwise.recon.level.axial_contour import area_mm2, border_mm, canal_contour, centroid_mm, evenly, section
from tests.recon.shapes import CANAL_HALF_DEPTH, CANAL_HALF_WIDTH, case, truth_frame, view

ELLIPSE_MM2 = np.pi * CANAL_HALF_WIDTH * CANAL_HALF_DEPTH


@pytest.mark.parametrize("which", ["plain", "turned"])
@pytest.mark.parametrize("z_mm", [-12.3, 0.0, 8.2])
def test_canal_area_is_the_ellipse(which: str, z_mm: float) -> None:
    outline = canal_contour(view(which), z_mm)
    assert outline is not None
    assert area_mm2(outline) == pytest.approx(ELLIPSE_MM2, rel=0.03)  # the design's 3 % for areas
    assert centroid_mm(outline) == pytest.approx([0, 0], abs=0.2)
    assert border_mm(outline, 0.0, "dorsal") == pytest.approx(CANAL_HALF_DEPTH, abs=0.4)  # half a voxel


def test_section_needs_no_view() -> None:
    shapes, labels, _, grid = case("turned")
    outline = section(labels, grid, truth_frame(shapes), 0.0)
    assert outline is not None
    assert area_mm2(outline) == pytest.approx(ELLIPSE_MM2, rel=0.03)


def test_plane_out_of_view_has_no_outline() -> None:
    assert canal_contour(view("plain"), 47.0) is None
    assert canal_contour(view("plain"), 400.0) is None


def test_outline_runs_counter_clockwise_and_even() -> None:
    outline = canal_contour(view("plain"), 0.0)
    assert outline is not None
    x, y = outline[:, 0], outline[:, 1]
    assert (x[:-1] * y[1:] - x[1:] * y[:-1]).sum() > 0
    points = evenly(outline, 0.5)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert steps == pytest.approx(np.full(len(steps), 0.5), abs=0.1)


def test_line_beside_an_outline_has_no_border() -> None:
    outline = canal_contour(view("plain"), 0.0)
    assert outline is not None
    assert border_mm(outline, 15.0, "ventral") is None
