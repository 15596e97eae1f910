"""The small steps between a file and a scan, by small worked numbers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nibabel.orientations import aff2axcodes

from canalwise.recon.errors import BadFile, BadGeometry
from canalwise.recon.image.volume import (
    Volume,
    canonical,
    check_budget,
    rescaled,
    right_angled,
    tilt_deg,
    volume_shape,
)

STORED = [np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64]


@pytest.mark.parametrize("dtype", STORED)
def test_whole_results_that_fit_are_int16(dtype):
    stored = np.array([[0, 1], [7, 100]], dtype=dtype)
    values = rescaled(stored, 2.0, -1024.0)
    assert values.dtype == np.int16
    assert values.tolist() == [[-1024, -1022], [-1010, -824]]


@given(st.lists(st.integers(0, 65535), min_size=1, max_size=20), st.integers(-3, 3), st.integers(-70_000, 70_000))
def test_rescaling_is_exact_whatever_the_numbers(stored, slope, intercept):
    values = rescaled(np.array(stored, dtype=np.uint16), slope, intercept)
    exact = [slope * s + intercept for s in stored]
    if min(exact) >= -32768 and max(exact) <= 32767:
        assert values.dtype == np.int16
        assert values.tolist() == exact
    else:
        assert values.dtype == np.float32
        assert values.tolist() == exact  # below 2**24, single precision holds whole numbers exactly


def test_fractions_and_gaps_stay_floats():
    assert rescaled(np.array([1, 2], np.int16), 0.5, 0.0).tolist() == [0.5, 1.0]
    assert rescaled(np.array([1.0, np.nan]), 1.0, 0.0).dtype == np.float32


@pytest.mark.parametrize("codes", [("R", "A", "S"), ("L", "P", "S"), ("P", "I", "R"), ("A", "S", "L"), ("S", "R", "P")])
def test_every_axis_order_ends_at_ras(codes):
    column = {"R": (1, 0, 0), "L": (-1, 0, 0), "A": (0, 1, 0), "P": (0, -1, 0), "S": (0, 0, 1), "I": (0, 0, -1)}
    affine = np.eye(4)
    affine[:3, :3] = np.array([column[c] for c in codes]).T * (0.5, 0.6, 0.7)
    voxels = np.arange(24).reshape(2, 3, 4)
    turned = canonical(Volume(voxels, affine))
    assert aff2axcodes(turned.affine_ras_mm) == ("R", "A", "S")
    assert turned.provenance["stored_axes"] == "".join(codes)
    for index in np.ndindex(voxels.shape):
        world = affine @ (*index, 1)
        i, j, k, _ = np.rint(np.linalg.solve(turned.affine_ras_mm, world)).astype(int)
        assert turned.voxels[i, j, k] == voxels[index]


@pytest.mark.parametrize("edge", [0.0, np.nan, np.inf])
def test_affines_without_three_finite_edges_are_refused(edge):
    volume = Volume(np.zeros((2, 2, 2)), np.diag([1.0, 1.0, edge, 1.0]))
    for step in (canonical, lambda v: right_angled(v, accept_tilt=True, background=0)):
        with pytest.raises(BadGeometry, match="voxel edges"):
            step(volume)


def test_axes_that_point_the_same_direction_are_refused():
    with pytest.raises(BadGeometry, match="point three ways"):
        canonical(Volume(np.zeros((2, 2, 2)), np.array([[1.0, 1, 0, 0], [0, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])))


@pytest.mark.parametrize("shape", [(4, 5, 6), (4, 5, 6, 1), (4, 5, 6, 1, 1)])
def test_single_frames_are_dropped(shape):
    assert volume_shape(shape) == (4, 5, 6)


@pytest.mark.parametrize("shape", [(4, 5), (4, 5, 6, 2), (4, 0, 6), (4, 5, 6, 1, 3)])
def test_other_shapes_are_refused(shape):
    with pytest.raises(BadGeometry):
        volume_shape(shape)


def test_budget_is_four_bytes_a_voxel():
    check_budget((1000, 1000, 250), 1000)
    with pytest.raises(BadFile, match="1004 MB"):
        check_budget((1000, 1000, 251), 1000)


@pytest.mark.parametrize("angle_deg", [0.0, 5.0, 18.5, -30.0])
def test_tilt_is_the_angle_of_the_shear(angle_deg):
    affine = np.diag([0.5, 0.6, 2.0, 1.0])
    affine[1, 2] = 2.0 * np.tan(np.radians(angle_deg))
    assert tilt_deg(affine) == pytest.approx(abs(angle_deg))


def test_undoing_a_lean_of_whole_voxels_moves_each_slice_by_that_many():
    voxels = np.arange(3 * 4 * 5, dtype=np.int16).reshape(3, 4, 5)
    affine = np.diag([1.0, 1.0, 2.0, 1.0])
    affine[1, 2] = -1.0  # each slice lies one row further back
    upright = right_angled(Volume(voxels, affine), accept_tilt=True, background=-7)
    assert upright.voxels.shape == (3, 8, 5)
    for k in range(5):
        assert np.array_equal(upright.voxels[:, 4 - k : 8 - k, k], voxels[:, :, k])
    assert (upright.voxels[:, :4, 0] == -7).all()
    assert upright.affine_ras_mm[:3, 3].tolist() == [0.0, -4.0, 0.0]
    assert upright.affine_ras_mm[:3, 2].tolist() == [0.0, 0.0, 2.0]


def test_an_upright_stack_is_left_alone():
    volume = Volume(np.zeros((2, 2, 2)), np.eye(4))
    assert right_angled(volume, accept_tilt=True, background=0) is volume
