"""Ribs are thin struts that run on from a vertebra; kidneys, vessels, plates and transverse processes are none."""

import numpy as np
import pytest

from canalwise.recon.naming.rib_reach import CLEAR_MM, rib_reaches, slender
from canalwise.recon.naming.straightened import Straightened

X, Y, Z = np.arange(-112.0, 114.0, 2.0), np.arange(-70.0, 62.0, 2.0), np.arange(0.0, 120.0, 2.0)
PEDICLE_MM = 60.0


def scene(bright: np.ndarray, half_width_mm: float = 200.0) -> Straightened:
    """A straightened scan with what is bright, seen `half_width_mm` to either side."""
    shape = (len(X), len(Y), len(Z))
    view = np.broadcast_to(np.abs(X)[:, None, None] <= half_width_mm, shape)
    hu = np.where(bright & view, 300.0, 30.0).astype(np.float32)
    return Straightened(hu, view.copy(), np.zeros((*shape, 3), np.float32), X, Y, Z)


def body() -> np.ndarray:
    x, y, z = np.meshgrid(X, Y, Z, indexing="ij")
    return (np.abs(x) < 24) & (y < -8) & (y > -42) & (np.abs(z - PEDICLE_MM) < 40)


def strut(end_mm: float, start_mm: float = 22.0, thick_mm: float = 4.0) -> np.ndarray:
    """Struts on both sides that run dorsally and caudally as they run out."""
    x, y, z = np.meshgrid(X, Y, Z, indexing="ij")
    out = np.abs(x)
    off = np.hypot(y - (out - 20.0) * 0.3, z - (PEDICLE_MM + 4 - (out - 20.0) * 0.3))
    return (off <= thick_mm) & (out >= start_mm) & (out <= end_mm)


def reach(bright: np.ndarray, **view: float) -> float | None:
    return rib_reaches(scene(bright, **view), 150.0, [PEDICLE_MM])[0].greater_mm


@pytest.mark.parametrize("end_mm", [70.0, 90.0])
def test_a_rib_is_followed_to_its_tip(end_mm: float) -> None:
    assert reach(body() | strut(end_mm)) == pytest.approx(end_mm, abs=4.0)


def test_a_transverse_process_ends_before_any_rib() -> None:
    got = reach(body() | strut(45.0))
    assert got is not None
    assert got < CLEAR_MM


def test_a_bright_kidney_beside_the_vertebra_is_no_rib() -> None:
    x, y, z = np.meshgrid(X, Y, Z, indexing="ij")
    kidney = ((np.abs(x) - 55) / 22) ** 2 + ((y + 20) / 26) ** 2 + ((z - PEDICLE_MM) / 50) ** 2 < 1
    got = reach(body() | kidney)
    assert got is not None
    assert got < CLEAR_MM
    # nor does a transverse process that touches one become a rib
    touching = reach(body() | kidney | strut(45.0))
    assert touching is not None
    assert touching < CLEAR_MM


def test_a_strut_that_is_not_attached_is_no_rib() -> None:
    got = reach(body() | strut(90.0, start_mm=44.0))
    assert got is not None
    assert got < CLEAR_MM


def test_an_iliac_wing_is_a_plate() -> None:
    x, y, z = np.meshgrid(X, Y, Z, indexing="ij")
    wing = (np.abs(np.abs(x) - 44 - 0.25 * (z - 40)) < 5) & (np.abs(y) < 45)
    got = reach(body() | wing | strut(44.0))
    assert got is not None
    assert got < CLEAR_MM


def test_a_flank_out_of_view_has_no_answer_and_a_cut_rib_says_so() -> None:
    assert reach(body(), half_width_mm=40.0) is None
    cut = rib_reaches(scene(body() | strut(100.0), 80.0), 150.0, [PEDICLE_MM])[0]
    assert cut.runs_out
    whole = rib_reaches(scene(body() | strut(80.0)), 150.0, [PEDICLE_MM])[0]
    assert not whole.runs_out


def test_thick_things_go_with_their_rind() -> None:
    i, j, k = np.indices((40, 40, 40)) - 18
    assert not slender(i**2 + j**2 + k**2 < 12**2).any()
